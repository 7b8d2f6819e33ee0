"""The page of one fixture: the depths in large type, the drills, what is near, the errors, two sections."""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO

from fpdf.enums import Align

from planner_core.exchange.pdf_page import BOTTOM_MM, GREY, LEFT_MM, WIDTH_MM, SheetPage, printable
from planner_core.protocol.sheet import FixturePage, ObstacleRow, worst_first

MOST_OBSTACLES = 8
"""Clearances on a page, the worst ones (our choice: they must fit one page; the attached data has all)."""

PICTURE_GAP_MM = 4.0
DEPTH_POINTS = 30.0
"""Size of the depths in print: read from a metre away (our choice)."""


def fixture_page(pdf: SheetPage, page: FixturePage, pictures: Mapping[str, bytes]) -> None:
    """Draw one fixture's page."""
    _head(pdf, page)
    _depths(pdf, page)
    _drills(pdf, page)
    _errors(pdf, page)
    _obstacles(pdf, page)
    for finding in page.findings[:4]:
        pdf.paragraph(finding.text, 8)
    _pictures(pdf, page, pictures)


def _head(pdf: SheetPage, page: FixturePage) -> None:
    pdf.size(17, bold=True)
    pdf.cell(24, 8, page.site.iso)
    pdf.size(11)
    pdf.cell(WIDTH_MM - 24, 8, printable(f"Universal {page.site.universal} · {page.site.words}"))
    pdf.set_xy(LEFT_MM, pdf.get_y() + 8.5)
    pdf.paragraph(
        f"{page.fixture}: diameter {page.diameter_mm:.1f} mm, true length {page.length_mm:.1f} mm"
        + (" · generic shape, no maker's" if page.generic else "")
        + (f" · {page.tilt_words}" if page.tilt_words else ""),
        9.5,
    )


def _depths(pdf: SheetPage, page: FixturePage) -> None:
    top = pdf.get_y() + 2.0
    width = (WIDTH_MM - 8.0) / 3.0
    _box(pdf, LEFT_MM, top, width, "Depth from the sleeve top", _big(page.depth_from_sleeve_top_mm))
    _box(pdf, LEFT_MM + width + 4, top, width, "Depth from the crest", _big(page.depth_from_crest_mm))
    _sleeve(pdf, LEFT_MM + 2 * (width + 4), top, width, page)
    pdf.set_y(top + 23.0)
    pdf.paragraph(page.depth_basis + " " + _tip(page), 8.5)


def _box(pdf: SheetPage, x: float, y: float, width: float, label: str, value: str) -> None:
    pdf.set_draw_color(0)
    pdf.set_line_width(0.4)
    pdf.rect(x, y, width, 21.0)
    pdf.size(8.5)
    pdf.set_xy(x + 1.5, y + 1.2)
    pdf.cell(width - 3, 4, label)
    pdf.size(DEPTH_POINTS, bold=True)
    pdf.set_xy(x + 1.5, y + 6.5)
    pdf.cell(width - 16, 13, value, align=Align.R)
    pdf.size(13, bold=True)
    pdf.set_xy(x + width - 13, y + 9.5)
    pdf.cell(11, 9, "mm" if value != "–" else "")


def _sleeve(pdf: SheetPage, x: float, y: float, width: float, page: FixturePage) -> None:
    pdf.set_line_width(0.2)
    pdf.rect(x, y, width, 21.0)
    sleeve = page.sleeve
    lines = ["No sleeve at this site."] if sleeve is None else []
    if sleeve is not None:
        lines = [
            sleeve.label,
            f"inside {sleeve.inner_diameter_mm:.2f}, height {sleeve.height_mm:.1f} mm",
            f"gap (underside to platform) {sleeve.gap_mm:.1f} mm",
            f"offset (top to platform) {sleeve.offset_mm:.1f} mm",
            f"play, both fits together {sleeve.clearance_mm:.2f} mm",
        ]
    pdf.set_xy(x + 1.5, y + 1.2)
    for k, line in enumerate(lines):
        pdf.size(8.5 if k == 0 else 8, bold=k == 0)
        pdf.set_xy(x + 1.5, y + 1.2 + 3.8 * k)
        pdf.cell(width - 3, 3.8, pdf.cut(line, width - 1))


def _tip(page: FixturePage) -> str:
    if page.tip_overshoot_mm is None:
        return "The drill's tip beyond its nominal depth is not known; 2 mm more are taken for every distance here."
    return f"The drill's tip reaches {page.tip_overshoot_mm:.1f} mm beyond the depths given."


def _drills(pdf: SheetPage, page: FixturePage) -> None:
    source = page.drill_list or "none"
    note = " (generic: not for surgery, the clinic's own list is needed)" if page.drill_list_generic else ""
    pdf.heading(f"Drills: {source}{note}", 9.5, 1.5)
    rows = [
        [
            str(row.step),
            row.label,
            f"{row.diameter_mm:.1f}",
            _mm(row.from_sleeve_top_mm),
            _mm(row.from_crest_mm),
            "–" if row.speed_rpm is None else str(row.speed_rpm),
            "yes" if row.guided else "no",
            "",
        ]
        for row in page.drills
    ]
    pdf.rows(
        ["Step", "Drill", "Ø mm", "From sleeve top, mm", "From crest, mm", "Speed, 1/min", "Guided", "Done"],
        rows or [["–", "No drill list is chosen.", "", "", "", "", "", ""]],
        [11, 45, 14, 36, 28, 25, 14, 13],
        right=(2, 3, 4, 5),
        bold_columns=(3, 4),
    )


def _errors(pdf: SheetPage, page: FixturePage) -> None:
    if not page.errors:
        return
    pdf.heading("Expected error: 95 of 100 stay below", 9.5, 1.5)
    parts = [f"{row.label} {row.p95:.1f} {row.unit}" for row in page.errors]
    pdf.paragraph("  ·  ".join(parts), 10, bold=True)
    if page.shares:
        top = sorted(page.shares, key=lambda share: -share.share)[:5]
        pdf.paragraph(
            "Made of: " + ", ".join(f"{s.label} {100 * s.share:.0f} %" for s in top if s.share >= 0.005) + ".", 8
        )
    if page.chance_of_harm is not None:
        limit = "" if page.harm_limit is None else f" (limit {percent(page.harm_limit)})"
        pdf.paragraph(f"Chance of harm at this site: {percent(page.chance_of_harm)}{limit}.", 9)


def _obstacles(pdf: SheetPage, page: FixturePage) -> None:
    pdf.heading("What is near", 9.5, 1.5)
    shown = worst_first(page.obstacles, MOST_OBSTACLES)
    pdf.rows(
        ["Structure", "From", "Distance", "Margin", "State", "Leeway", "Harm", "Source of the margin"],
        [_obstacle(row) for row in shown] or [["Nothing is marked near this fixture.", *[""] * 7]],
        [27, 14, 17, 15, 20, 15, 17, 61],
        right=(2, 3, 5, 6),
        points=7.6,
    )
    if shown:
        note = (
            "Leeway: the largest error that this structure tolerates. Harm: the chance that the drill reaches it."
        )
        pdf.set_y(pdf.get_y() + 0.6)
        pdf.paragraph(note, 7.5)
    left = len(page.obstacles) - len(shown)
    if left > 0:
        pdf.paragraph(f"{left} more, all further from trouble, are in the attached data.", 7.5)


def _obstacle(row: ObstacleRow) -> list[str]:
    return [
        row.obstacle,
        row.body,
        f"{row.distance_mm:.1f} mm",
        f"{row.margin_mm:.1f} mm",
        row.state,
        _mm(row.leeway_mm),
        percent(row.chance),
        row.source,
    ]


def _pictures(pdf: SheetPage, page: FixturePage, pictures: Mapping[str, bytes]) -> None:
    found = [
        (words, pictures[key])
        for key, words in (
            (f"{page.site.iso}:across", "Across the arch, along the fixture's axis"),
            (f"{page.site.iso}:along", "Along the arch, along the fixture's axis"),
        )
        if key in pictures
    ]
    if not found:
        return
    width = (WIDTH_MM - PICTURE_GAP_MM) / 2.0
    room = 297.0 - BOTTOM_MM - pdf.get_y() - 7.0
    height = min(room, width)
    if height < 45.0:
        pdf.add_page()
        height = width
    y = pdf.get_y() + 2.0
    for k, (words, png) in enumerate(found):
        x = LEFT_MM + k * (width + PICTURE_GAP_MM)
        pdf.set_xy(x, y)
        pdf.size(8)
        pdf.set_text_color(GREY)
        pdf.cell(width, 4, words)
        pdf.set_text_color(0)
        pdf.image(BytesIO(png), x=x, y=y + 4.0, w=width, h=height - 1.0, keep_aspect_ratio=True, alt_text=words)
    pdf.set_y(y + 4.0 + height)


def percent(chance: float | None) -> str:
    """Give a chance in per cent with as many digits as it bears."""
    if chance is None:
        return "–"
    value = 100.0 * chance
    if value < 0.01:
        return "< 0.01 %"
    return f"{value:.2f} %" if value < 1 else (f"{value:.1f} %" if value < 10 else f"{value:.0f} %")


def _big(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def _mm(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
