"""Colours, type sizes and the style sheet of the window: dark for a reading room, light for the office."""

from __future__ import annotations

from pathlib import Path

from attrs import asdict, frozen

# Okabe and Ito 2008, "Color Universal Design" (https://jfly.uni-koeln.de/color/), safe for colour-blind readers.
OKABE_SKY = "#56B4E9"
OKABE_GREEN = "#009E73"
OKABE_BLUE = "#0072B2"
OKABE_VERMILLION = "#D55E00"
OKABE_PURPLE = "#CC79A7"
OKABE_ORANGE = "#E69F00"

RESOURCES = Path(__file__).resolve().parent / "resources"

FONT_SMALL_PX = 11
"""Smallest type in the window, pixels (our choice: still read at arm's length on a 1366 x 768 screen)."""
FONT_BASE_PX = 13
FONT_TABLE_PX = 12
FONT_TITLE_PX = 16
FONT_LARGE_PX = 22
GAP_PX = 8
"""The one spacing unit; every margin is this or half of it."""


@frozen
class Theme:
    """Colours of one look; every name says what the colour is for."""

    name: str
    ground: str
    """Behind everything."""
    panel: str
    raised: str
    field: str
    line: str
    text: str
    muted: str
    accent: str
    """Selection, focus and the step at hand."""
    on_accent: str
    bad: str
    canal: str
    arch: str
    pair: str
    surface: str
    bone: str
    fixture: str
    mark: str
    """Selection and the program's own marks on pictures, which stay dark in both looks."""
    picture: str
    """Ground of every picture; pictures stay dark in both looks."""
    picture_text: str


DARK = Theme(
    name="dark",
    ground="#14171b",
    panel="#1b1f25",
    raised="#262c34",
    field="#101317",
    line="#39414c",
    text="#e4e8ed",
    muted="#9aa5b1",
    accent=OKABE_SKY,
    on_accent="#08131b",
    bad="#f08a4b",
    canal=OKABE_PURPLE,
    arch=OKABE_GREEN,
    pair=OKABE_ORANGE,
    surface="#8fb7c9",
    bone="#d9d2c3",
    fixture="#f2f4f6",
    mark=OKABE_SKY,
    picture="#07090b",
    picture_text="#e4e8ed",
)
LIGHT = Theme(
    name="light",
    ground="#e9ecef",
    panel="#f6f7f9",
    raised="#ffffff",
    field="#ffffff",
    line="#c3cad2",
    text="#1c232b",
    muted="#55606c",
    accent=OKABE_BLUE,
    on_accent="#ffffff",
    bad="#a84300",
    canal=OKABE_PURPLE,
    arch=OKABE_GREEN,
    pair=OKABE_ORANGE,
    surface="#8fb7c9",
    bone="#d9d2c3",
    fixture="#f2f4f6",
    mark=OKABE_SKY,
    picture="#07090b",
    picture_text="#e4e8ed",
)


def theme_named(name: str) -> Theme:
    """Give the look of that name; the dark one where the name is unknown."""
    return LIGHT if name == LIGHT.name else DARK


_SHEET = """
* {{ font-family: "DejaVu Sans Condensed", sans-serif; font-size: {base}px; }}
QWidget {{ background: {ground}; color: {text}; }}
QToolTip {{ background: {raised}; color: {text}; border: 1px solid {line}; padding: 4px; }}
QMenuBar {{ background: {panel}; padding: 1px 4px; }}
QMenuBar::item {{ background: transparent; padding: 4px 10px; border-radius: 3px; }}
QMenuBar::item:selected {{ background: {raised}; }}
QMenu {{ background: {raised}; border: 1px solid {line}; padding: 4px; }}
QMenu::item {{ padding: 5px 28px 5px 14px; border-radius: 3px; background: transparent; }}
QMenu::item:selected {{ background: {accent}; color: {on_accent}; }}
QMenu::item:disabled {{ color: {muted}; }}
QMenu::separator {{ height: 1px; background: {line}; margin: 4px 6px; }}
QSplitter::handle {{ background: {ground}; }}
QSplitter::handle:hover {{ background: {accent}; }}
QScrollArea {{ border: none; }}
QScrollBar:vertical {{ background: {ground}; width: 10px; margin: 0; }}
QScrollBar:horizontal {{ background: {ground}; height: 10px; margin: 0; }}
QScrollBar::handle {{ background: {line}; border-radius: 4px; min-height: 24px; min-width: 24px; }}
QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
QPushButton, QToolButton {{ background: {raised}; border: 1px solid {line}; border-radius: 4px;
    padding: 5px 10px; }}
QPushButton:hover, QToolButton:hover {{ border-color: {accent}; }}
QPushButton:pressed, QToolButton:pressed {{ background: {field}; }}
QPushButton:focus, QToolButton:focus {{ border: 1px solid {accent}; }}
QPushButton:checked, QToolButton:checked {{ background: {accent}; color: {on_accent}; border-color: {accent}; }}
QPushButton:disabled, QToolButton:disabled {{ color: {muted}; background: {panel}; border-color: {panel}; }}
QPushButton[role="main"] {{ background: {accent}; color: {on_accent}; border-color: {accent}; font-weight: 600; }}
QPushButton[role="main"]:disabled {{ background: {panel}; color: {muted}; border-color: {line}; }}
QPushButton[role="main"]:focus {{ border: 1px solid {text}; }}
QPushButton[role="link"] {{ background: transparent; border: none; color: {accent}; padding: 2px 0;
    text-align: left; }}
QPushButton[role="link"]:hover {{ text-decoration: underline; }}
QPushButton[role="link"]:focus {{ text-decoration: underline; }}
QPushButton[role="fold"] {{ background: transparent; border: none; padding: 4px 0; text-align: left; }}
QPushButton[role="fold"][strong="true"] {{ font-weight: 600; }}
QPushButton[role="fold"]:hover, QPushButton[role="fold"]:focus {{ color: {accent}; }}
QLineEdit, QPlainTextEdit, QDoubleSpinBox, QSpinBox, QComboBox, QDateEdit {{
    background: {field}; border: 1px solid {line}; border-radius: 3px; padding: 3px 6px;
    selection-background-color: {accent}; selection-color: {on_accent}; }}
QLineEdit:focus, QPlainTextEdit:focus, QDoubleSpinBox:focus, QSpinBox:focus, QComboBox:focus {{
    border: 1px solid {accent}; }}
QLineEdit:disabled, QDoubleSpinBox:disabled, QComboBox:disabled, QPlainTextEdit:disabled {{
    color: {muted}; background: {panel}; }}
QComboBox QAbstractItemView {{ background: {raised}; border: 1px solid {line};
    selection-background-color: {accent}; selection-color: {on_accent}; outline: none; }}
QCheckBox {{ spacing: 7px; background: transparent; }}
QRadioButton {{ spacing: 7px; background: transparent; }}
QRadioButton::indicator {{ width: 13px; height: 13px; border: 1px solid {muted}; border-radius: 7px;
    background: {field}; }}
QRadioButton::indicator:checked {{ border: 4px solid {accent}; width: 7px; height: 7px; background: {on_accent}; }}
QRadioButton:focus {{ color: {accent}; }}
QCheckBox::indicator {{ width: 13px; height: 13px; border: 1px solid {muted}; border-radius: 2px;
    background: {field}; }}
QCheckBox::indicator:checked {{ background: {accent}; border: 1px solid {accent}; image: url("{tick}"); }}
QCheckBox::indicator:disabled {{ border-color: {line}; }}
QDoubleSpinBox, QSpinBox {{ padding-right: 20px; }}
QDoubleSpinBox::up-button, QDoubleSpinBox::down-button, QSpinBox::up-button, QSpinBox::down-button {{
    subcontrol-origin: border; width: 18px; border: none; border-left: 1px solid {line}; background: {raised}; }}
QDoubleSpinBox::up-button, QSpinBox::up-button {{ subcontrol-position: top right; border-top-right-radius: 3px; }}
QDoubleSpinBox::down-button, QSpinBox::down-button {{
    subcontrol-position: bottom right; border-bottom-right-radius: 3px; }}
QDoubleSpinBox::up-button:hover, QDoubleSpinBox::down-button:hover {{ background: {line}; }}
QDoubleSpinBox::up-arrow, QSpinBox::up-arrow {{ image: url("{up}"); width: 7px; height: 5px; }}
QDoubleSpinBox::down-arrow, QSpinBox::down-arrow {{ image: url("{down}"); width: 7px; height: 5px; }}
QComboBox::drop-down {{ border: none; width: 20px; }}
QComboBox::down-arrow {{ image: url("{down}"); width: 9px; height: 6px; }}
QCheckBox:focus {{ color: {accent}; }}
QTableWidget, QListWidget, QTreeWidget {{ font-size: {table}px; background: {panel};
    border: 1px solid {line}; border-radius: 3px;
    gridline-color: {line}; alternate-background-color: {raised};
    selection-background-color: {raised}; selection-color: {text}; outline: none; }}
QTableWidget::item, QListWidget::item {{ padding: 2px 4px; }}
QTableWidget::item:selected, QListWidget::item:selected {{ background: {raised}; color: {accent}; }}
QHeaderView {{ background: {panel}; border: none; }}
QHeaderView::section {{ background: {panel}; color: {muted}; border: none; border-bottom: 1px solid {line};
    padding: 3px 4px; font-size: {small}px; }}
QTableCornerButton::section {{ background: {panel}; border: none; }}
QProgressBar {{ background: {field}; border: 1px solid {line}; border-radius: 3px; text-align: center;
    font-size: {small}px; max-height: 14px; min-height: 14px; }}
QProgressBar::chunk {{ background: {accent}; border-radius: 2px; }}
QLabel {{ background: transparent; }}
QLabel[role="title"] {{ font-size: {title}px; font-weight: 600; }}
QLabel[role="heading"] {{ color: {muted}; font-size: {small}px; font-weight: 600; }}
QLabel[role="note"] {{ color: {muted}; font-size: {small}px; }}
QLabel[role="warning"] {{ color: {bad}; }}
QLabel[role="large"] {{ font-size: {large}px; font-weight: 600; }}
QFrame[role="card"] {{ background: {panel}; border: 1px solid {line}; border-radius: 5px; }}
QFrame[role="rule"] {{ background: {line}; max-height: 1px; min-height: 1px; border: none; }}
#StepPanel, #StepPanel QWidget[role="page"] {{ background: {panel}; }}
#BottomBar {{ background: {panel}; }}
#BottomBar QLabel, #BottomBar QPushButton {{ font-size: {small}px; }}
#BottomBar QPushButton {{ padding: 1px 8px; }}
"""


def style_sheet(theme: Theme) -> str:
    """Give the Qt style sheet of a look."""
    pictures = {name: (RESOURCES / f"{name}-{theme.name}.svg").as_posix() for name in ("up", "down", "tick")}
    sizes = {
        "base": FONT_BASE_PX,
        "small": FONT_SMALL_PX,
        "title": FONT_TITLE_PX,
        "table": FONT_TABLE_PX,
        "large": FONT_LARGE_PX,
    }
    return _SHEET.format(**sizes, **pictures, **asdict(theme))
