"""The drilling sheet as PDF/A-3b, one file that a person prints and a program reads: the plan's JSON is attached.

The PDF/A claim is the writing library's own (fpdf2 enforces it); no independent validator was at hand.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.exchange.pdf_budget import budget_pages
from planner_core.exchange.pdf_cover import cover
from planner_core.exchange.pdf_fixture import fixture_page
from planner_core.exchange.pdf_page import SheetPage
from planner_core.files import write_bytes
from planner_core.progress import Progress, silent
from planner_core.protocol.sheet import SheetContent, sheet_as_json

PLAN_NAME = "plan.json"
SHEET_NAME = "sheet.json"

Picture = bytes | np.ndarray[Any, Any]


def sheet_pdf(
    content: SheetContent, pictures: Mapping[str, Picture] | None = None, progress: Progress = silent
) -> bytes:
    """Give the bytes of the sheet.

    Parameters
    ----------
    content : SheetContent
    pictures : mapping
        PNG bytes or uint8 arrays of shape (h, w, 3): ``"36:across"`` and ``"36:along"`` for site 36.
    """
    pdf = SheetPage(content)
    pdf.set_title(f"Drilling sheet ({content.status})")
    pdf.set_subject("Guided implant surgery: drilling sheet")
    pdf.set_creator(content.stamp.program or "drilling sheet")
    pdf.set_lang("en")
    pdf.set_creation_date(_made(content))
    pdf.add_page()
    cover(pdf)
    for number, page in enumerate(content.pages):
        progress(number / max(1, len(content.pages)), "Writing the sheet")
        pdf.add_page()
        fixture_page(pdf, page, {key: _png(value) for key, value in (pictures or {}).items()})
    if content.budget is not None:
        pdf.add_page()
        budget_pages(pdf, content.budget)
    attached = {SHEET_NAME: json.dumps(sheet_as_json(content), ensure_ascii=False, indent=1)}
    if content.plan_json:
        attached[PLAN_NAME] = content.plan_json
    for name, text in attached.items():
        pdf.embed_file(
            bytes=text.encode(),
            basename=name,
            mime_type="application/json",
            associated_file_relationship="Data",
            modification_date=_made(content),
            desc="The plan that this sheet was made from" if name == PLAN_NAME else "The numbers of this sheet",
            compress=True,
        )
    progress(1.0, "Writing the sheet")
    return bytes(pdf.output())


def write_sheet_pdf(
    content: SheetContent, pictures: Mapping[str, Picture], path: Path, progress: Progress = silent
) -> None:
    """Write the sheet; the file is whole or not there.

    Raises
    ------
    PlannerError
        If the place cannot be written.
    """
    write_bytes(Path(path), sheet_pdf(content, pictures, progress))


def _made(content: SheetContent) -> datetime:
    try:
        return datetime.fromisoformat(content.stamp.made_utc)
    except ValueError:
        return datetime.now(UTC)


def _png(picture: Picture) -> bytes:
    if isinstance(picture, bytes):
        return picture
    from PIL import Image

    stream = BytesIO()
    Image.fromarray(np.asarray(picture, dtype=np.uint8)).convert("RGB").save(stream, "PNG")
    return stream.getvalue()
