"""The order for another scan on one page: why, what to do, where the markers go on a map of the arch."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, cast

import numpy as np
from attrs import field, frozen
from fpdf.enums import Align

from planner_core.exchange.pdf_page import BOTTOM_MM, GREY, LEFT_MM, RIGHT_MM, TOP_MM, WIDTH_MM, SheetPage
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.rescan import RescanOrder

MAP_WIDTH_MM, MAP_HEIGHT_MM = 86.0, 74.0
"""Room of the arch map on the page (our choice: an arch of 70 mm at about its true size)."""
MAP_MARGIN_MM = 9.0
CROWN_HALF_MM = 5.0
"""Restorations along the arch are hatched this far to both sides, mm (common practice, no source: half a crown)."""
MOST_LINES = 7
"""Reasons and pieces of advice printed at most, so that one page holds all; the rest is counted."""


@frozen(eq=False)
class OrderFor:
    """What the order names.

    Parameters
    ----------
    title : str
        Of the case.
    patient : sequence of (label, value)
    jaw : str
        "lower" or "upper".
    sites : mapping of site in words to array (3,)
    arch_lps_mm : array of shape (n, 3), or None
    bodies : tuple of Restoration
        Shown on the map.
    scan : str
        The present scan in words: date, voxels, settings.
    """

    title: str
    patient: Sequence[tuple[str, str]]
    jaw: str
    sites: Mapping[str, FloatArray]
    arch_lps_mm: FloatArray | None
    bodies: tuple[Restoration, ...] = ()
    scan: str = ""
    program: str = ""
    made_utc: str = field(factory=lambda: datetime.now(UTC).isoformat(timespec="minutes"))


class OrderPage(SheetPage):
    """The page with its own head and foot."""

    def __init__(self, what: OrderFor) -> None:
        super().__init__(cast(Any, None))
        self.what = what

    def header(self) -> None:
        """Draw the head line."""
        self.set_y(TOP_MM)
        self.size(8.5)
        who = next((value for label, value in self.what.patient if label == "Name" and value), "no name")
        self.cell(WIDTH_MM * 0.7, 4.5, self.cut(f"{self.what.title} · {self.what.jaw} jaw · {who}", WIDTH_MM * 0.7))
        self.cell(WIDTH_MM * 0.3, 4.5, self.what.made_utc[:10], align=Align.R)
        self.rule(TOP_MM + 5.5)
        self.set_y(TOP_MM + 7.0)

    def footer(self) -> None:
        """Draw the caution."""
        y = 297.0 - BOTTOM_MM + 2.5
        self.rule(y)
        self.set_xy(LEFT_MM, y + 0.8)
        self.size(6.8)
        self.set_text_color(GREY)
        self.multi_cell(
            WIDTH_MM,
            3.4,
            "Supports a licensed clinician's judgement, does not replace it. Local rules and the manufacturers' "
            f"instructions come first. {self.what.program}",
        )
        self.set_text_color(0)


def rescan_pdf(order: RescanOrder, what: OrderFor) -> bytes:
    """Give the bytes of the order, one page of A4."""
    pdf = OrderPage(what)
    pdf.set_title("Order for another scan")
    pdf.set_creator(what.program or "rescan order")
    pdf.set_lang("en")
    pdf.set_creation_date(datetime.fromisoformat(what.made_utc))
    pdf.add_page()
    pdf.heading("Order for another cone-beam scan", 15.0, gap_mm=0.0)
    if what.scan:
        pdf.paragraph(f"In place of: {what.scan}", 8.5)
    pdf.heading("Why")
    reasons = order.reasons or ("No planned site is unreadable; the order was asked for all the same.",)
    pdf.bullets(_at_most(reasons), points=8.5)
    pdf.heading("What to do")
    pdf.bullets([f"{step}" for step in order.steps], mark="□", points=8.5)
    if what.arch_lps_mm is not None:
        _markers(pdf, order, what)
    if order.advice:
        pdf.heading("Restorations near unreadable sites")
        pdf.bullets(_at_most([f"{'; '.join(a.sites)}: {a.text}" for a in order.advice]), points=8.0)
    pdf.heading("Cautions", gap_mm=2.0)
    pdf.bullets(order.cautions, points=8.0)
    _sign(pdf)
    return bytes(pdf.output())


def _at_most(lines: Sequence[str]) -> list[str]:
    if len(lines) <= MOST_LINES:
        return list(lines)
    return [*lines[: MOST_LINES - 1], f"and {len(lines) - MOST_LINES + 1} more, see the scan check."]


def letter(number: int) -> str:
    """Give the letter of a marker place: A for 1."""
    return chr(ord("A") + (number - 1) % 26)


def _markers(pdf: OrderPage, order: RescanOrder, what: OrderFor) -> None:
    pdf.heading("Where the markers go")
    top = pdf.get_y()
    _arch_map(pdf, order, what, LEFT_MM, top)
    left = LEFT_MM + MAP_WIDTH_MM + 5.0
    width = 210.0 - RIGHT_MM - left
    pdf.set_xy(left, top)
    for place in order.markers:
        pdf.set_x(left)
        pdf.size(9.0, bold=True)
        pdf.cell(6.0, 4.4, letter(place.number))
        pdf.size(8.5)
        pdf.multi_cell(width - 6.0, 4.4, place.words, align=Align.L)
        pdf.set_y(pdf.get_y() + 0.6)
    pdf.set_xy(left, pdf.get_y() + 1.5)
    pdf.size(7.5)
    pdf.set_text_color(GREY)
    pdf.multi_cell(
        width,
        3.7,
        "Map seen from above, front on top, R = patient's right. Squares: markers. Triangles: planned sites. "
        "Hatched: dense bodies, no markers there. Glass or ceramic balls of 1.5 to 2 mm, at different heights.",
        align=Align.L,
    )
    pdf.set_text_color(0)
    pdf.set_y(max(pdf.get_y(), top + MAP_HEIGHT_MM))


def _arch_map(pdf: OrderPage, order: RescanOrder, what: OrderFor, left: float, top: float) -> None:
    arch = np.asarray(what.arch_lps_mm)
    seen = np.vstack(
        [arch, *[p.place_lps_mm[None] for p in order.markers], *[p[None] for p in what.sites.values()]]
    )
    low, high = seen[:, :2].min(axis=0), seen[:, :2].max(axis=0)
    room = np.array([MAP_WIDTH_MM, MAP_HEIGHT_MM]) - 2 * MAP_MARGIN_MM
    scale = float((room / np.maximum(high - low, 1.0)).min())
    middle = (low + high) / 2.0
    centre = np.array([left + MAP_WIDTH_MM / 2.0, top + MAP_HEIGHT_MM / 2.0])

    def at(point: FloatArray) -> tuple[float, float]:
        # Seen from above with the front on top: +x (patient's left) to the right, +y (back) down the page.
        x, y = centre + scale * (np.asarray(point)[:2] - middle)
        return float(x), float(y)

    pdf.set_draw_color(GREY)
    pdf.set_line_width(0.2)
    pdf.rect(left, top, MAP_WIDTH_MM, MAP_HEIGHT_MM)
    for body in what.bodies:
        if not _along_arch(pdf, arch, body, at):
            _hatched(pdf, at(body.centre_lps_mm), scale * body.extent_mm[:2] / 2.0, (left, top))
    pdf.set_draw_color(60)
    pdf.set_line_width(0.9)
    pdf.polyline([at(point) for point in arch[:: max(1, len(arch) // 60)]])
    pdf.set_line_width(0.3)
    pdf.set_draw_color(0)
    pdf.set_fill_color(255)
    for site, spot in what.sites.items():
        x, y = at(spot)
        pdf.polygon([(x - 1.8, y - 1.5), (x + 1.8, y - 1.5), (x, y + 1.8)], style="DF")
        pdf.set_draw_color(255)
        pdf.rect(x - 2.6, y + 2.2, 5.2, 3.2, style="DF")
        pdf.set_draw_color(0)
        _word(pdf, site, x, y + 3.9, 7.5)
    for place in order.markers:
        x, y = at(place.place_lps_mm)
        pdf.rect(x - 2.0, y - 2.0, 4.0, 4.0, style="DF")
        _word(pdf, letter(place.number), x, y, 8.0, bold=True)
    _word(pdf, "R", left + 4.0, top + MAP_HEIGHT_MM / 2.0, 10.0, bold=True)
    _word(pdf, "L", left + MAP_WIDTH_MM - 4.0, top + MAP_HEIGHT_MM / 2.0, 10.0, bold=True)
    _word(pdf, "front", left + MAP_WIDTH_MM / 2.0, top + 3.0, 7.5)


def _word(pdf: OrderPage, text: str, x: float, y: float, points: float, bold: bool = False) -> None:
    pdf.size(points, bold)
    pdf.text(x - pdf.get_string_width(text) / 2.0, y + points * 0.125, text)


def _along_arch(
    pdf: OrderPage, arch: FloatArray, body: Restoration, at: Callable[..., tuple[float, float]]
) -> bool:
    """Hatch a long body across the arch where it runs along it; False for a body beside the arch."""
    inside = np.all(np.abs(arch[:, :2] - body.centre_lps_mm[:2]) <= body.extent_mm[:2] / 2.0, axis=1)
    if int(inside.sum()) < 2:
        return False
    pdf.set_draw_color(150)
    pdf.set_line_width(0.25)
    ahead = np.gradient(arch[:, :2], axis=0)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(arch[:, :2], axis=0), axis=1))])
    for s in np.arange(along[0], along[-1], 1.2):
        k = int(np.argmin(np.abs(along - s)))
        if inside[k]:
            across = np.array([-ahead[k, 1], ahead[k, 0]]) + 0.5 * ahead[k]
            across = CROWN_HALF_MM * across / max(float(np.linalg.norm(across)), 1e-9)
            pdf.line(*at(arch[k, :2] - across), *at(arch[k, :2] + across))
    return True


def _hatched(pdf: OrderPage, at: tuple[float, float], half: FloatArray, corner: tuple[float, float]) -> None:
    """Draw a body's box with hatching, cut to the map."""
    x0, x1 = max(at[0] - half[0], corner[0]), min(at[0] + half[0], corner[0] + MAP_WIDTH_MM)
    y0, y1 = max(at[1] - half[1], corner[1]), min(at[1] + half[1], corner[1] + MAP_HEIGHT_MM)
    if x1 <= x0 or y1 <= y0:
        return
    pdf.set_draw_color(150)
    pdf.set_line_width(0.15)
    with pdf.rect_clip(x0, y0, x1 - x0, y1 - y0):
        reach = y1 - y0
        for start in np.arange(x0 - reach, x1, 1.6):
            pdf.line(float(start), y1, float(start + reach), y0)
    pdf.rect(x0, y0, x1 - x0, y1 - y0)


def _sign(pdf: OrderPage) -> None:
    y = max(pdf.get_y() + 9.0, 297.0 - BOTTOM_MM - 8.0)
    pdf.set_draw_color(0)
    pdf.set_line_width(0.2)
    for k, words in enumerate(("Ordered by (name, date)", "Justified by (name, date)")):
        x = LEFT_MM + k * (WIDTH_MM / 2.0 + 3.0)
        pdf.line(x, y, x + WIDTH_MM / 2.0 - 3.0, y)
        pdf.set_xy(x, y + 0.6)
        pdf.size(7.5)
        pdf.cell(WIDTH_MM / 2.0 - 3.0, 3.6, words)
