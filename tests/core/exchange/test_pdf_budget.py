"""The budget's pages in the sheet, read back from the PDF."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from attrs import evolve

from planner_core.exchange.pdf import sheet_pdf
from planner_core.protocol.budget_page import BudgetPage, FigureRow, GuideRow, SiteRow
from planner_core.protocol.sheet import SheetContent
from planner_core.protocol.sites import site_name

SITE = SiteRow(
    site_name("36"), "canal, left", 0.004, 0.01, 2.2, 1.3, True, 0.0061, (0.0042, 0.0033, 0.0052), 1.76, 1.99, 6.1,
    1.29, (("execution", 0.82), ("play in the sleeve", 0.18)), (("a shorter fixture", 0.0006),),
)  # fmt: skip
PAGE = BudgetPage(
    "teeth, all drills and fixture", "A guide on teeth: 0.4 % chance of harm.", True, (), "debris in the bore",
    (0.0077, 0.0065, 0.009, 20000), (), (SITE,),
    (GuideRow("mucosa, pilot only", "not open", 0.13, -1.6, "punch", "The mucosa is mobile."),),
    "None are in this case.", (FigureRow("Zhou 2018: apex, mm", "1.57 (1.53 to 1.62)", "1.40", "missed"),),
    ("Said by many.",), (("debris", "0.15 mm", "our choice"),), "The clinician decides.",
)  # fmt: skip


def content(page):
    return SheetContent("t", (("Name", ""),), True, "lower", "K7", (), (), (), (), (), budget=page)


def text_of(pdf, tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    path = tmp_path / "sheet.pdf"
    path.write_bytes(pdf)
    found = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True)
    return " ".join(found.stdout.decode().split())


def test_every_number_of_the_page_is_printed(tmp_path):
    text = text_of(sheet_pdf(content(PAGE)), tmp_path)
    for part in (
        "Error budget", "Advice", "A guide on teeth: 0.4 % chance of harm.", "hangs on an assumption: debris",
        "0.77 % (95 % limits 0.65 % to 0.90 %, 20,000 random draws)", "canal, left", "0.40 %", "2.2", "1.3",
        "execution 82 %, play in the sleeve 18 %", "a shorter fixture: 0.06 %", "mucosa, pilot only", "not open",
        "The mucosa is mobile.", "missed", "never used as numbers", "debris 0.15 mm [our choice]",
        "Formula and random draws agree within 5 %", "Harm: the drill reaches the structure's wall",
    ):  # fmt: skip
        assert part in text, part


def test_no_guide_that_passes_says_so_and_what_then(tmp_path):
    none = evolve(PAGE, passes=False, advice="None passes.", then=("Another site.",), agreement=("36: apart.",))
    text = text_of(sheet_pdf(content(none)), tmp_path)
    assert "No guide passes" in text
    assert "Another site." in text
    assert "36: apart." in text
    assert "agree within 5 %" not in text


def test_many_sites_go_on_over_pages(tmp_path):
    sites = tuple(evolve(SITE, site=site_name(str(n))) for n in (31, 32, 33, 34, 35, 36, 37, 41, 42, 43, 44, 45))
    text = text_of(sheet_pdf(content(evolve(PAGE, sites=sites))), tmp_path)
    for n in (31, 45):
        assert f"{n}: what the error at the apex is made of" in text
