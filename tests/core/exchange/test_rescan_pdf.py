"""The rescan order as a PDF: one page, whatever is on it, read by another program."""

from __future__ import annotations

import shutil
import subprocess
from io import BytesIO

import numpy as np
import pikepdf
import pytest

from planner_core.exchange.pdf_rescan import MOST_LINES, OrderFor, rescan_pdf
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.rescan import Advice, MarkerPlace, RescanOrder

X = np.linspace(-26.0, 26.0, 41)
ARCH = np.stack([X, 34.0 * (X / 26.0) ** 2, np.zeros(41)], axis=1)


def order(lines: int) -> RescanOrder:
    markers = tuple(
        MarkerPlace(k + 1, ARCH[6 * k] + np.array([0.0, 0, 4.0]), f"left, cheek side, {k} mm from the middle", 0.1)
        for k in range(6)
    )
    return RescanOrder(
        tuple(f"{site}: Degradation 0.9 of 1: right here." for site in range(lines)),
        ("Teeth apart by at least 5 mm: cotton rolls between the back teeth.", "Same settings and field of view."),
        markers,
        np.array([80.0, 80.0, 50.0]),
        tuple(Advice(0, ("36",), f"Zirconia ({k} mm³): take it out for the scan.") for k in range(lines)),
    )


def what(**more: object) -> OrderFor:
    bodies = (
        Restoration(np.array([0.0, 4.0, 5.0]), 2000.0, np.array([40.0, 18.0, 8.0]), True, "zirconia", 0.9),
        Restoration(np.array([60.0, 90.0, 5.0]), 9.0, np.array([2.0, 2.0, 2.0]), False, "filling", 0.6),
    )
    sites = {"36": np.array([20.0, 20.0, 0.0])}
    return OrderFor("Case A", [("Name", "Invented")], "lower", sites, ARCH, bodies, "scan of today", **more)


def text_of(data: bytes) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    out = subprocess.run(["pdftotext", "-layout", "-", "-"], input=data, capture_output=True, check=True).stdout
    return out.decode()


@pytest.mark.parametrize("lines", [0, 2, 30])
def test_the_order_is_one_page_however_long_its_reasons(lines: int) -> None:
    with pikepdf.open(BytesIO(rescan_pdf(order(lines), what()))) as pdf:
        assert len(pdf.pages) == 1


def test_it_says_why_what_where_and_how() -> None:
    text = text_of(rescan_pdf(order(2), what()))
    for words in ("cotton rolls", "Where the markers go", "front", "Same settings", "take it out", "justification"):
        assert words in text
    for letter in "ABCDEF":
        assert f"\n{letter} " in text or f" {letter} " in text
    assert "Justified by" in text
    assert "HU" not in text.split()


def test_what_does_not_fit_is_counted() -> None:
    text = text_of(rescan_pdf(order(30), what()))
    assert f"and {30 - MOST_LINES + 1} more" in text


def test_without_an_arch_there_is_no_map() -> None:
    from attrs import evolve

    text = text_of(rescan_pdf(order(1), evolve(what(), arch_lps_mm=None)))
    assert "Where the markers go" not in text
