"""A plan without identity: nothing of the person is left, and everything that was planned is."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pikepdf

from app.cli import main
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.codec import dumps, plain
from planner_core.case.derived import ledger_of
from planner_core.case.identity import code_of, face_warning, without_identity
from planner_core.case.plan import Patient, Plan, ScanInput, ScanReading
from planner_core.case.staleness import stale_parts
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from tests.core.case.sample_plans import full_plan

SECRETS = (
    "Secretname",
    "SECRET-7",
    "1955-05-05",
    "1.2.3.999",
    "Reader Secret",
    "2026-02-03",
    "secretfile",
    "2025-12-24",
)


def named_plan() -> Plan:
    plan = full_plan()
    assert plan.scan is not None
    source = ScanSource(
        "dicom",
        "Secretname",
        "SECRET-7",
        "1955-05-05",
        "F",
        "2025-12-24",
        "1.2.3.999",
        "1.2.3.999.1",
        "Secretname jaw",
    )
    volume = attrs.evolve(plan.scan.volume, frame_of_reference_uid="1.2.3.999.5")
    plan = edits.set_scan(plan, ScanInput(volume, source, plan.scan.findings))
    plan = edits.set_patient(plan, Patient("Secretname", "SECRET-7", "1955-05-05"))
    plan = edits.set_reading(plan, ScanReading("Reader Secret", "2026-02-03", "Secretname has a cyst"))
    plan = edits.add_surface(plan, attrs.evolve(plan.surfaces["lower"], label="secretfile.stl"))
    return edits.set_title(edits.set_notes(plan, "call Secretname"), "Secretname")


def test_nothing_of_the_person_is_left() -> None:
    text = dumps(plain(without_identity(named_plan())))
    assert [secret for secret in SECRETS if secret in text] == []
    assert [secret for secret in SECRETS if secret in dumps(plain(named_plan()))] == list(SECRETS)


def test_what_was_planned_stays_and_is_not_stale() -> None:
    before, after = named_plan(), without_identity(named_plan())
    assert stale_parts(after) == stale_parts(before)
    assert [row.distance_mm for row in ledger_of(after).rows] == [row.distance_mm for row in ledger_of(before).rows]
    assert after.scan is not None
    assert before.scan is not None
    assert after.scan.volume.content_hash == before.scan.volume.content_hash
    assert code_of(after) == code_of(before)


def test_a_case_and_a_sheet_without_identity(tmp_path: Path, capsys: Any) -> None:
    CaseStore.create(tmp_path / "case", "Author Secretname", named_plan()).close()
    assert main(["pack", str(tmp_path / "case"), str(tmp_path / "out.zip"), "--without-identity", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["code"]) == 8
    with zipfile.ZipFile(tmp_path / "out.zip") as packed:
        content = b"".join(packed.read(name) for name in packed.namelist())
    assert [secret for secret in SECRETS if secret.encode() in content] == []
    assert main(["unpack", str(tmp_path / "out.zip"), str(tmp_path / "again")]) == 0
    with CaseStore.open(tmp_path / "again") as store:
        assert set(store.plan().fixtures) == {"36", "46"}
        assert {r.author for r in store.history()} == {"anonymous"}


def test_a_sheet_without_identity(tmp_path: Path, capsys: Any) -> None:
    index = np.random.default_rng(0).normal(0, 30, (30, 40, 40))
    index[8:22, 8:32, 8:32] += 1000
    index[:4] -= 1000
    volume = Volume(index.astype(np.int16), np.diag([1.0, 1.0, 1.0, 1.0]))
    plan = named_plan()
    assert plan.scan is not None
    plan = edits.set_scan(plan, ScanInput(volume, plan.scan.source))
    CaseStore.create(tmp_path / "case", "Author Secretname", plan).close()
    out = tmp_path / "sheet.pdf"
    assert main(["sheet", str(tmp_path / "case"), str(out), "--draft", "--without-identity"]) == 0
    with pikepdf.open(out) as pdf:
        attached = b"".join(pdf.attachments[name].get_file().read_bytes() for name in pdf.attachments)
        pages = b"".join(page.Contents.read_bytes() for page in pdf.pages)
    assert [secret for secret in SECRETS if secret.encode() in attached + pages] == []
    assert len(attached) > 1000


def test_a_head_is_warned_about() -> None:
    small = full_plan()
    assert face_warning(small) is None
    assert face_warning(Plan()) is None
    head = Volume(np.zeros((20, 20, 20), np.int16), np.diag([9.0, 9.0, 9.0, 1.0]))
    warning = face_warning(edits.set_scan(Plan(), ScanInput(head, ScanSource())))
    assert warning is not None
    assert "face" in warning.text
