"""The numbers and words of a sheet, kept: a change of what is printed must be meant.

``PLUMBLINE_UPDATE_GOLDEN=1 python3 -m tests tests/golden`` writes the kept files anew, on purpose.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from planner_core.exchange.pdf import sheet_pdf
from planner_core.protocol.sheet import sheet_as_json
from tests.core.exchange.sample_sheets import sheet

HERE = Path(__file__).parent


def assert_golden(name: str, text: str) -> None:
    kept = HERE / name
    if os.environ.get("PLUMBLINE_UPDATE_GOLDEN"):
        kept.write_text(text, encoding="utf-8")
    assert text == kept.read_text(encoding="utf-8"), f"{name} differs; see the top of {Path(__file__).name}"


@pytest.mark.parametrize("final", [False, True], ids=["draft", "final"])
def test_the_numbers_of_a_sheet(final: bool) -> None:
    status = "final" if final else "draft"
    assert_golden(f"sheet_{status}.json", json.dumps(sheet_as_json(sheet(final=final)), indent=1) + "\n")


@pytest.mark.parametrize("final", [False, True], ids=["draft", "final"])
def test_the_words_of_a_sheet(final: bool) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext (poppler-utils) is not installed")
    data = sheet_pdf(sheet(final=final), {})
    out = subprocess.run(["pdftotext", "-raw", "-", "-"], input=data, capture_output=True, check=True).stdout
    # The turned watermark comes letter by letter, in an order that depends on the reader.
    words = sorted({line.strip() for line in out.decode().splitlines() if len(line.strip()) > 2})
    status = "final" if final else "draft"
    assert_golden(f"sheet_{status}.txt", "\n".join(words) + "\n")
