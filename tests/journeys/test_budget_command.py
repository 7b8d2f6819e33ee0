"""`budget CASE --json` on a small case: what carries, own outcomes, the whole answer, and refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from app.cli import main
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.session import Session
from tests.core.case.sample_plans import full_plan

OWN = """guide,site,length_mm,entry_mm,apex_mm,angle_deg,support,guidance,kind
G1,36,10,0.5,0.6,1.5,teeth,all drills and fixture,clinical
G2,36,10,0.6,0.7,1.6,teeth,all drills and fixture,clinical
B1,36,10,0.1,0.1,0.2,teeth,all drills and fixture,bench
G3,36,10,0.6,9.0,1.6,teeth,all drills and fixture,clinical
"""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    folder = tmp_path / "case"
    with CaseStore.create(folder) as store:
        Session(store=store).apply("All", lambda _: edits.set_reading(full_plan(), None))
    (tmp_path / "own.csv").write_text(OWN)
    return folder


def run(capsys: Any, *argv: str) -> Any:
    code = main([*argv, "--json"])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return json.loads(captured.out)


def apply(case: Path, *steps: dict[str, Any]) -> int:
    script = case.parent / "edits.json"
    script.write_text(json.dumps(list(steps)))
    return main(["apply", str(case), str(script)])


def test_the_whole_answer_is_in_the_json(capsys: Any, case: Path) -> None:
    found = run(capsys, "budget", str(case))
    site = found["sites"]["36"]
    assert sum(s["share_of_apex_variance"] for s in site["sources"]) == pytest.approx(1.0)
    assert {"leeway_mm", "need_mm", "localisation_mm", "bias_towards_mm", "chance"} <= set(site["harms"][0])
    drawn = found["draws"]["sites"]["36"]["chance_of_harm"]
    assert drawn["low"] <= drawn["value"] <= drawn["high"]
    assert found["draws"]["draws"] == 20_000
    assert len(found["choice"]["options"]) == 10
    saved = [h["saved"] for h in found["would_help"]["36"]]
    assert saved == sorted(saved, reverse=True)
    assert {c["fitted"] for c in found["published"]} == {True, False}
    assert any(a["unsourced"] for a in found["assumptions"])
    assert found["own_data"] is None
    quick = run(capsys, "budget", str(case), "--quick")
    assert set(quick) == {"sites"}
    assert quick["sites"]["36"]["apex_error_p95_mm"] == pytest.approx(site["apex_error_p95_mm"])


def test_carriers_and_own_outcomes_by_command(capsys: Any, case: Path) -> None:
    before = run(capsys, "budget", str(case), "--quick")["sites"]["36"]
    teeth = [{"number": n} for n in ("33", "35", "37", "43", "45", "47")]
    carriers = {"edit": "set_mouth", "mouth": {"teeth": teeth}}
    own_data = {"edit": "set_own_data", "own_data": {"file": "own.csv", "read_on": "2026-01-31"}}
    assert apply(case, carriers, own_data) == 0
    capsys.readouterr()
    found = run(capsys, "budget", str(case))
    assert "teeth 33, 35, 37" in next(s["value"] for s in found["sites"]["36"]["sources"] if s["name"] == "seating")
    own = found["own_data"]
    assert own["update"]["effective_cases"] == pytest.approx(2.0)
    assert own["clinical"]["fixtures"] == 2
    assert own["bench_never_mixed_in"]["fixtures"] == 1
    assert own["lines_left_out"] == [
        "Line 5: entry 0.6 mm, apex 9 mm and angle 1.6 degrees cannot belong to one fixture of 10 mm."
    ]
    assert found["sites"]["36"]["apex_error_p95_mm"] != pytest.approx(before["apex_error_p95_mm"])


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        ({"edit": "set_own_data", "own_data": {"file": "none.csv"}}, "cannot be read"),
        ({"edit": "set_bearing_areas", "areas": [{"support": "teeth", "from_station_mm": 0, "to_station_mm": 9}]},
         "mucosa or bone"),
        ({"edit": "set_wall", "wall_mm": 0}, "wall of 0"),
    ],
)  # fmt: skip
def test_what_cannot_stand_is_refused_with_a_sentence(capsys: Any, case: Path, edit: Any, said: str) -> None:
    assert apply(case, edit) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
