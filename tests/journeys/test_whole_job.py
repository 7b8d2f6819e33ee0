"""The whole job without a window, as a clinician would do it, measured against the sample's known truth."""

from __future__ import annotations

import hashlib
import json
from io import BytesIO
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from app.cli import main
from app.demo import SAMPLE
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.session import Session

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not (SAMPLE / "truth.json").is_file(), reason="the sample volume is not in this checkout"),
]


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's folder, made once."""
    out = tmp_path_factory.mktemp("job") / "out"
    assert main(["demo", str(out), "--no-window"]) == 0
    return out


@pytest.fixture(scope="module")
def summary(done: Path) -> Any:
    return json.loads((done / "summary.json").read_text())


def test_match_canals_and_clearances_are_near_the_truth(summary: Any) -> None:
    for site in ("36", "46"):
        assert summary["match_error_mm"][site] <= summary["match_expected_p95_mm"][site]
        assert 0.01 < summary["match_expected_p95_mm"][site] < 1.0, "a stated error that is neither nothing nor all"
    assert summary["canal_error_mean_mm"] <= 0.5
    assert summary["clearance_error_max_mm"] <= 0.3
    assert summary["within_limits"] is True
    assert {(row["site"], row["body"]) for row in summary["clearances"]} == {
        (site, body) for site in ("36", "46") for body in ("fixture", "drill")
    }


def test_the_case_is_whole_and_every_step_is_in_it(done: Path, summary: Any) -> None:
    report = check(done / "case")
    assert report.whole
    assert report.sha256 == summary["revision_sha256"]
    with CaseStore.open(done / "case", read_only=True) as store:
        labels = [revision.label for revision in store.history()]
        assert store.head().number == summary["revision"]
        for label in ("Import scan", "Match by points", "Trace left canal", "Place fixture 36", "Set up guide"):
            assert label in labels
        session = Session(store=store)
        assert session.undo_label == "Set up guide"


def test_the_sheet_is_a_draft_that_names_its_revision(done: Path, summary: Any) -> None:
    data = (done / "sheet.pdf").read_bytes()
    assert hashlib.sha256(data).hexdigest() == summary["sheet_sha256"]
    with pikepdf.open(BytesIO(data)) as pdf:
        numbers = json.loads(pdf.attachments["sheet.json"].get_file().read_bytes())
        plan = json.loads(pdf.attachments["plan.json"].get_file().read_bytes())
    assert numbers["status"] == "draft"
    assert numbers["revision_sha256"] == plan["revision_sha256"] == summary["revision_sha256"]
    assert [page["site"] for page in numbers["fixtures"]] == ["36", "46"]
    codes = {blocker["code"] for blocker in numbers["blockers"]}
    assert {"not-read", "generic-drills", "tip-unknown"} <= codes
    for page in numbers["fixtures"]:
        assert {row["obstacle"] for row in page["obstacles"]} >= {"bone surface"}
        assert any("canal" in row["obstacle"] for row in page["obstacles"])
        assert len(page["errors"]) == 4


def test_the_pictures_are_there(done: Path) -> None:
    names = {path.name for path in (done / "pictures").glob("*.png")}
    assert {"strip.png", "section-36-across.png", "section-46-along.png"} <= names


def test_a_second_run_takes_the_place_of_the_first_only(done: Path, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "notes.txt").write_text("a user's own")
    assert main(["demo", str(tmp_path)]) == 2
    assert "no demo's result" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]


def run(capsys: Any, *argv: str) -> Any:
    assert main([*argv, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_the_commands_read_the_same_case(done: Path, capsys: Any, tmp_path: Path, summary: Any) -> None:
    case = str(done / "case")
    chain = run(capsys, "chain", case)["chain"]
    assert [link["key"] for link in chain] == [
        "scan", "match", "anatomy", "fixtures", "budget", "guide", "sheet", "outcome",
    ]  # fmt: skip
    rows = run(capsys, "clearances", case)["clearances"]
    known = {(r["site"], r["body"], r["obstacle"]): r["distance_mm"] for r in rows}
    for row in summary["clearances"]:
        assert known[row["site"], row["body"], row["obstacle"]] == pytest.approx(row["distance_mm"], abs=1e-3)
    budget = run(capsys, "budget", case)["sites"]["36"]
    assert sum(s["share_of_apex_variance"] for s in budget["sources"]) == pytest.approx(1.0)
    assert main(["sheet", case, str(tmp_path / "final.pdf")]) == 2
    assert "A final sheet cannot be made" in capsys.readouterr().err
    assert not (tmp_path / "final.pdf").exists()
    made = run(capsys, "sheet", case, str(tmp_path / "draft.pdf"), "--draft")
    assert made["status"] == "draft"
    assert run(capsys, "check", case)["whole"] is True
    run(capsys, "pack", case, str(tmp_path / "case.zip"))
    run(capsys, "unpack", str(tmp_path / "case.zip"), str(tmp_path / "again"))
    assert run(capsys, "history", str(tmp_path / "again")) == run(capsys, "history", case)
