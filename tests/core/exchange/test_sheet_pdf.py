"""The drilling sheet as PDF: what is on which page, drafts marked on every page, the plan attached."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from io import BytesIO
from pathlib import Path

import attrs
import numpy as np
import pikepdf
import pytest

from planner_core.errors import PlannerError
from planner_core.exchange.pdf import sheet_pdf, write_sheet_pdf
from planner_core.exchange.pdf_page import BOTTOM_MM, TOP_MM, printable
from planner_core.protocol.sheet import DRAFT, SheetContent
from tests.core.exchange.sample_sheets import sheet

PICTURES = {
    f"{site}:{kind}": np.full((50, 60, 3), 90, np.uint8) for site in ("36", "46") for kind in ("across", "along")
}


def texts(content: SheetContent) -> list[str]:
    """Text of each page, as another program reads it."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    data = sheet_pdf(content, PICTURES)
    out = subprocess.run(["pdftotext", "-layout", "-", "-"], input=data, capture_output=True, check=True).stdout
    return out.decode().split("\f")[:-1]


def test_measurements_stand_on_the_cover_only_when_asked_for() -> None:
    assert "Measured" not in texts(sheet())[0]
    cover = texts(attrs.evolve(sheet(), measurements=(("ridge at 36", "8.3 mm (± 1.1)"),)))[0]
    assert "Measured (95 % of points set by hand)" in cover
    assert "8.3 mm (± 1.1)" in cover


def test_a_cover_and_a_page_for_each_fixture() -> None:
    pages = texts(sheet())
    assert len(pages) == 3
    assert all(f"page {k} of 3" in page for k, page in enumerate(pages, start=1))
    cover, first, second = pages
    for expected in (
        "K7-Q2",
        "lower left first molar",
        "19",
        "30",
        "Invented, Ida",
        "Planned by",
        "by points, 5 pairs",
    ):
        assert expected in cover, expected
    assert "must be settled first" in cover
    assert "36" in first
    assert "Universal 19" in first
    assert "17.5" in first
    assert "11.2" in first
    assert "4.6 °" in first
    assert "canal, left" in first
    assert "Fokas" in first
    assert "46" in second


def test_depths_are_sums_that_a_reader_can_check() -> None:
    page = sheet().pages[0]
    assert page.sleeve is not None
    expected = page.sleeve.height_mm + page.sleeve.gap_mm + page.length_mm
    assert page.depth_from_sleeve_top_mm == pytest.approx(expected)
    assert page.depth_from_crest_mm == pytest.approx(page.length_mm + 1.2)
    crestal = page.drills[-1]
    assert crestal.from_sleeve_top_mm is None, "a drill that the sleeve does not lead has no depth from its top"
    assert crestal.from_crest_mm == pytest.approx(3.0 + 1.2)


def test_every_page_of_a_draft_says_so_and_none_of_a_final_one() -> None:
    assert all("DRAFT" in page for page in texts(sheet()))
    assert not any("DRAFT" in page for page in texts(sheet(final=True)))
    assert sheet().status == DRAFT
    wanted = attrs.evolve(sheet(final=True), wanted=DRAFT)
    assert all("DRAFT" in page for page in texts(wanted))
    assert attrs.evolve(sheet(final=True), pages=()).status == DRAFT, "a sheet without fixtures is no final one"


def test_each_page_names_revision_and_hash() -> None:
    assert all("Revision 12" in page and "ab" * 32 in page for page in texts(sheet()))


def test_the_plan_is_attached_as_data() -> None:
    with pikepdf.open(BytesIO(sheet_pdf(sheet(), PICTURES))) as pdf:
        assert json.loads(pdf.attachments["plan.json"].get_file().read_bytes()) == {"title": "Ω"}
        numbers = json.loads(pdf.attachments["sheet.json"].get_file().read_bytes())
        assert numbers["fixtures"][0]["depth_from_sleeve_top_mm"] == 17.5
        assert {str(spec.AFRelationship) for spec in pdf.Root.AF} == {"/Data"}
        metadata = pdf.Root.Metadata.read_bytes()
        assert b"<pdfaid:part>3</pdfaid:part>" in metadata
        assert b"<pdfaid:conformance>B</pdfaid:conformance>" in metadata
        assert "/OutputIntents" in pdf.Root
        for page in pdf.pages:
            for font in page.Resources.Font.values():
                for part in font.get("/DescendantFonts", [font]):
                    assert "/FontFile2" in part.FontDescriptor, "every font is embedded"


def test_pages_fit_a4_and_what_letter_shows_of_it() -> None:
    letter_mm = 279.4
    lost = (297.0 - letter_mm) / 2.0
    assert TOP_MM - lost > 5.0
    assert BOTTOM_MM - 12.0 - lost > 0.5, "three lines of the foot stay on the paper"
    with pikepdf.open(BytesIO(sheet_pdf(sheet(), {}))) as pdf:
        assert [round(float(v) / 72 * 25.4) for v in pdf.pages[0].MediaBox] == [0, 0, 210, 297]


def test_eight_fixtures_long_names_and_other_scripts() -> None:
    sites = ("44", "43", "42", "41", "31", "32", "33", "34")
    name = "Wilhelmina-Alexandra von und zu Musterhausen-Beispielstadt Ωμέγα Чехова 山田"
    pages = texts(sheet(sites, name=name, obstacles=14, findings=14))
    assert len(pages) == 10, "two of cover, eight of fixtures"
    assert "Чехова" in pages[0]
    assert "Ωμέγα" in pages[0]
    assert "stands for a letter" in pages[0]
    assert printable("山") == "□"
    assert "6 more" in pages[2]
    for site, page in zip(sites, pages[2:], strict=True):
        assert site in page


def test_a_sheet_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(PlannerError, match="folder"):
        write_sheet_pdf(sheet(), {}, tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(PlannerError, match="cannot be written"):
        write_sheet_pdf(sheet(), {}, tmp_path / "file" / "sheet.pdf")
    write_sheet_pdf(sheet(), {}, tmp_path / "new" / "sheet.pdf")
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["file", "new", "sheet.pdf"]


def test_what_a_killed_program_left_goes_with_the_next_file(tmp_path: Path) -> None:
    old, young = tmp_path / ".sheet-0123abcd.pdf", tmp_path / ".sheet-89abcdef.pdf"
    other = tmp_path / ".sheet-notours!.pdf"
    for path in (old, young, other):
        path.write_bytes(b"half")
    os.utime(old, (1e9, 1e9))
    os.utime(other, (1e9, 1e9))
    write_sheet_pdf(sheet(), {}, tmp_path / "sheet.pdf")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([young.name, other.name, "sheet.pdf"])
