"""The cover of the drilling sheet: what it is, for whom, whether it may be used, and who signs."""

from __future__ import annotations

from collections.abc import Iterable

from fpdf.enums import XPos, YPos

from planner_core.exchange.pdf_page import BOTTOM_MM, LEFT_MM, WIDTH_MM, SheetPage, has_unprintable, printable
from planner_core.findings import Finding
from planner_core.protocol.sheet import DRAFT


def cover(pdf: SheetPage) -> None:
    """Draw the cover onto the present page (and further ones where it is long)."""
    content = pdf.content
    _title(pdf)
    _status(pdf)
    pdf.side_by_side(
        ("Patient", [*content.patient, ("Jaw", content.jaw)]),
        ("Guide", [("Guide code", content.guide_code or "none"), *content.guide]),
    )
    if has_unprintable("".join(value for _, value in content.patient) + content.title):
        pdf.paragraph(
            "□ stands for a letter that the sheet's font does not have; the attached data has the full text.", 7.5
        )
    pdf.heading("Sites")
    pdf.rows(
        ["ISO 3950", "Universal", "Tooth", "Fixture", "From sleeve top", "From crest"],
        [
            [
                page.site.iso,
                str(page.site.universal),
                page.site.words,
                page.fixture + (" (generic)" if page.generic and "eneric" not in page.fixture else ""),
                _mm(page.depth_from_sleeve_top_mm),
                _mm(page.depth_from_crest_mm),
            ]
            for page in content.pages
        ]
        or [["–", "–", "No fixture is planned.", "–", "–", "–"]],
        [17, 18, 46, 51, 31, 23],
        right=(4, 5),
        bold_columns=(0,),
    )
    pdf.heading("Scan and match")
    pdf.pairs([*content.scan, *content.match])
    if content.measurements:
        pdf.heading("Measured (95 % of points set by hand)")
        pdf.pairs(content.measurements)
    if content.warnings:
        pdf.heading("To be weighed")
        pdf.bullets(_said(content.warnings), points=8.5)
    if content.notes:
        pdf.heading("Notes")
        pdf.paragraph(content.notes)
    pdf.heading("Cautions")
    pdf.bullets(content.cautions, points=8.5)
    _signatures(pdf)


def _title(pdf: SheetPage) -> None:
    content = pdf.content
    pdf.size(22, bold=True)
    pdf.multi_cell(WIDTH_MM, 10, "Drilling sheet", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    if content.title:
        pdf.paragraph(content.title, 11)
    if content.invented:
        pdf.paragraph("Invented scenario: no real person, clinic or scan.", 9, bold=True)


def _status(pdf: SheetPage) -> None:
    content = pdf.content
    pdf.set_y(pdf.get_y() + 2)
    if content.status != DRAFT:
        pdf.paragraph("Final. No blocker stood when this sheet was made.", 11, bold=True)
        return
    if not content.blockers:
        pdf.paragraph("Draft, as asked for: not for surgery. No blocker stands.", 11, bold=True)
        return
    count = len(_said(content.blockers))
    pdf.paragraph(
        f"Draft: not for surgery. {count} point{'s' if count > 1 else ''} must be settled first:", 11, bold=True
    )
    pdf.set_y(pdf.get_y() + 0.8)
    pdf.bullets(_said(content.blockers), mark="×")


def _said(findings: Iterable[Finding]) -> list[str]:
    """Give each text once, with the sites that it holds for."""
    sites: dict[str, list[str]] = {}
    for finding in findings:
        where = sites.setdefault(finding.text, [])
        if finding.where.isdigit() and finding.where not in finding.text:
            where.append(finding.where)
    return [f"{', '.join(where)}: {text}" if where else text for text, where in sites.items()]


def _mm(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} mm"


def _signatures(pdf: SheetPage) -> None:
    needed = 8.0 + 11.0 * len(pdf.content.signatures)
    if pdf.get_y() + needed > 297.0 - BOTTOM_MM:
        pdf.add_page()
    pdf.heading("Signatures")
    for role in pdf.content.signatures:
        y = pdf.get_y() + 6.5
        pdf.size(8.5)
        pdf.set_xy(LEFT_MM, y - 3.8)
        pdf.cell(34, 4, printable(role))
        for start, width, label in ((34, 68, "name"), (106, 50, "signature"), (160, WIDTH_MM - 160, "date")):
            pdf.set_draw_color(0)
            pdf.line(LEFT_MM + start, y, LEFT_MM + start + width, y)
            pdf.set_xy(LEFT_MM + start, y + 0.2)
            pdf.size(6.5)
            pdf.cell(width, 3, label)
        pdf.set_y(y + 4.0)
