"""The paper of the drilling sheet: fonts, header, footer, watermark and the few building blocks of its pages.

A4, and all of it inside what a US Letter sheet shows when the page is printed unscaled and centred.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from fpdf import FPDF
from fpdf.enums import Align, TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from planner_core.protocol.sheet import DRAFT, SheetContent

FONTS = Path(__file__).parent / "fonts"
FONT = "sheet"

LEFT_MM, TOP_MM, RIGHT_MM, BOTTOM_MM = 12.0, 17.0, 12.0, 22.0
"""Margins of the A4 page. Letter is 18 mm shorter: 9 mm are lost above and below when it is printed centred."""

WIDTH_MM = 210.0 - LEFT_MM - RIGHT_MM

UNPRINTABLE = "\u25a1"
"""Stands for a letter that the shipped font does not have (a white square)."""

GREY = 110
WATERMARK_GREY = 222
"""Light enough to read black text through it, dark enough to survive a copy (looked at in print and on screen)."""

RULE_GREY = 160


@cache
def _letters() -> frozenset[int]:
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    with TTFont(FONTS / "DejaVuSansCondensed.ttf") as font:
        return frozenset(font.getBestCmap())


def printable(text: str) -> str:
    """Give the text with a white square for every letter that the font lacks, and without control characters."""
    known = _letters()
    return "".join(c if ord(c) in known or c == "\n" else ("" if ord(c) < 32 else UNPRINTABLE) for c in text)


def has_unprintable(text: str) -> bool:
    """Tell whether some letters of a text cannot be printed."""
    return UNPRINTABLE in printable(text)


class SheetPage(FPDF):
    """A document with the sheet's header, footer and watermark on every page."""

    def __init__(self, content: SheetContent) -> None:
        super().__init__(format="A4", unit="mm", enforce_compliance="PDF/A-3B")
        self.content = content
        self.set_margins(LEFT_MM, TOP_MM, RIGHT_MM)
        self.set_auto_page_break(True, margin=BOTTOM_MM)
        self.add_font(FONT, "", FONTS / "DejaVuSansCondensed.ttf")
        self.add_font(FONT, "B", FONTS / "DejaVuSansCondensed-Bold.ttf")
        self.set_font(FONT, size=9)
        self.alias_nb_pages("{n}")

    # ------------------------------------------------------------ every page

    def header(self) -> None:
        """Draw watermark and head line."""
        if self.content.status == DRAFT:
            self._watermark()
        content = self.content
        self.set_y(TOP_MM)
        self.size(8.5)
        who = next((value for label, value in content.patient if label == "Name" and value), "no name")
        left = f"Drilling sheet · {content.jaw} jaw · {who}"
        right = f"Guide code {content.guide_code or 'none'} · {content.status.upper()}"
        self.set_text_color(0)
        self.cell(WIDTH_MM * 0.68, 4.5, self.cut(left, WIDTH_MM * 0.68))
        self.size(8.5, bold=True)
        self.cell(WIDTH_MM * 0.32, 4.5, self.cut(right, WIDTH_MM * 0.32), align=Align.R)
        self.rule(TOP_MM + 5.5)
        self.set_y(TOP_MM + 8.0)

    def footer(self) -> None:
        """Draw revision, hash, caution and page number."""
        stamp = self.content.stamp
        y = 297.0 - BOTTOM_MM + 2.5
        self.rule(y)
        self.set_xy(LEFT_MM, y + 0.8)
        self.size(6.8)
        self.set_text_color(GREY)
        revision = f"Revision {stamp.revision}" if stamp.revision is not None else "Not saved in a case"
        made = f" · made {stamp.made_utc[:16].replace('T', ' ')} UTC" if stamp.made_utc else ""
        self.cell(WIDTH_MM * 0.8, 3.4, self.cut(f"{revision}{made} · {stamp.program}", WIDTH_MM * 0.8))
        self.set_text_color(0)
        self.size(8, bold=True)
        self.cell(WIDTH_MM * 0.2, 3.4, f"page {self.page_no()} of {{n}}", align=Align.R)
        self.set_xy(LEFT_MM, y + 4.4)
        self.size(6.8)
        self.set_text_color(GREY)
        self.cell(WIDTH_MM, 3.4, f"SHA-256 {stamp.sha256}" if stamp.sha256 else "No revision hash: not saved.")
        self.set_xy(LEFT_MM, y + 8.0)
        self.cell(
            WIDTH_MM,
            3.4,
            "Supports a licensed clinician's judgement, does not replace it. Manufacturers' instructions and local "
            "rules come first.",
        )
        self.set_text_color(0)

    def _watermark(self) -> None:
        self.set_font(FONT, "B", 150)
        self.set_text_color(WATERMARK_GREY)
        width = self.get_string_width("DRAFT")
        with self.rotation(52, x=105, y=148):
            self.text(105 - width / 2, 168, "DRAFT")
        self.set_text_color(0)

    # ------------------------------------------------------------ building blocks

    def size(self, points: float, bold: bool = False) -> None:
        """Choose the size of what is printed next."""
        self.set_font(FONT, "B" if bold else "", points)

    def rule(self, y_mm: float, grey: int = RULE_GREY) -> None:
        """Draw a thin line across the page."""
        self.set_draw_color(grey)
        self.set_line_width(0.2)
        self.line(LEFT_MM, y_mm, 210.0 - RIGHT_MM, y_mm)

    def cut(self, text: str, width_mm: float) -> str:
        """Give the text shortened to a width, with an ellipsis."""
        text = printable(text)
        if self.get_string_width(text) <= width_mm - 2.0:
            return text
        while text and self.get_string_width(text + "…") > width_mm - 2.0:
            text = text[:-1]
        return text.rstrip() + "…"

    def heading(self, text: str, points: float = 10.5, gap_mm: float = 3.0) -> None:
        """Print a heading, on the same page as what follows."""
        if self.get_y() > 297.0 - BOTTOM_MM - 22.0:
            self.add_page()
        self.set_y(self.get_y() + gap_mm)
        self.size(points, bold=True)
        self.multi_cell(WIDTH_MM, points * 0.45, printable(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.set_y(self.get_y() + 0.8)

    def paragraph(self, text: str, points: float = 9.0, bold: bool = False, indent_mm: float = 0.0) -> None:
        """Print wrapped text."""
        self.size(points, bold)
        self.set_x(LEFT_MM + indent_mm)
        self.multi_cell(
            WIDTH_MM - indent_mm,
            points * 0.46,
            printable(text),
            align=Align.L,
            new_x=XPos.LMARGIN,
            new_y=YPos.NEXT,
        )

    def bullets(self, lines: Sequence[str], mark: str = "–", points: float = 9.0) -> None:
        """Print a list."""
        for line in lines:
            y, page = self.get_y(), self.page_no()
            self.paragraph(line, points, indent_mm=4.5)
            if self.page_no() == page:
                end = self.get_y()
                self.set_xy(LEFT_MM, y)
                self.size(points, bold=True)
                self.cell(4.0, points * 0.46, mark)
                self.set_y(end + 0.5)

    def side_by_side(
        self, left: tuple[str, Sequence[tuple[str, str]]], right: tuple[str, Sequence[tuple[str, str]]]
    ) -> None:
        """Print two headings with their label and value lines beside each other."""
        half = (WIDTH_MM - 6.0) / 2.0
        self.heading(left[0])
        top = self.get_y()
        self.pairs(left[1], 26.0, width_mm=half)
        end, page = self.get_y(), self.page_no()
        self.set_xy(LEFT_MM + half + 6.0, top - 0.8 - 10.5 * 0.45)
        self.size(10.5, bold=True)
        self.cell(half, 10.5 * 0.45, printable(right[0]))
        self.set_y(top)
        self.pairs(right[1], 26.0, left_mm=LEFT_MM + half + 6.0, width_mm=half)
        if self.page_no() == page:
            self.set_y(max(end, self.get_y()))

    def pairs(
        self,
        rows: Sequence[tuple[str, str]],
        label_mm: float = 34.0,
        points: float = 9.0,
        left_mm: float = LEFT_MM,
        width_mm: float = WIDTH_MM,
    ) -> None:
        """Print label and value lines."""
        for label, value in rows:
            self.size(points)
            self.set_text_color(GREY)
            self.set_x(left_mm)
            y, page = self.get_y(), self.page_no()
            self.cell(label_mm, points * 0.46, self.cut(label, label_mm))
            self.set_text_color(0)
            self.set_xy(left_mm + label_mm, y if self.page_no() == page else self.get_y())
            self.multi_cell(
                width_mm - label_mm,
                points * 0.46,
                printable(value or "–"),
                align=Align.L,
                new_x=XPos.LMARGIN,
                new_y=YPos.NEXT,
            )
            self.set_y(self.get_y() + 0.3)

    def rows(
        self,
        heads: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths_mm: Sequence[float],
        right: Sequence[int] = (),
        points: float = 8.5,
        bold_columns: Sequence[int] = (),
    ) -> None:
        """Print a table whose head line is repeated on the next page; `right` columns hold numbers."""
        self.size(points)
        self.set_draw_color(RULE_GREY)
        self.set_line_width(0.15)
        aligns = tuple(Align.R if k in right else Align.L for k in range(len(heads)))
        head_style = FontFace(emphasis="BOLD", color=0)
        with self.table(
            width=sum(widths_mm),
            col_widths=tuple(widths_mm),
            text_align=aligns,
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=head_style,
            line_height=points * 0.47,
            padding=(0.7, 1.0, 0.7, 1.0),
            align=Align.L,
        ) as table:
            head: Any = table.row()
            for text in heads:
                head.cell(printable(text))
            for cells in rows:
                line: Any = table.row()
                for k, text in enumerate(cells):
                    line.cell(printable(text), style=FontFace(emphasis="BOLD") if k in bold_columns else None)
        self.set_x(LEFT_MM)
