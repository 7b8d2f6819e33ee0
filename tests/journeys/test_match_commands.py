"""The match commands: files in, transform and expected error out, adopted by a case, refused in a sentence."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.cli import main
from planner_core.case.case_file import CaseStore
from planner_core.geometry.surface import Surface
from planner_core.imaging.nifti import write_nifti
from planner_core.imaging.surface_files import write_stl
from tests.core.registration.mouth import build_mouth, pose, scan_of, surface_of

TRUTH = pose([4.0, -6.0, 8.0], [3.0, 4.0, 5.0])
SITES = np.array([[24.0, 28.0, -12.0], [-24.0, 28.0, -12.0]])
BALLS = np.array(
    [
        [-27.0, 18.0, 1.0],
        [29.0, 16.0, 0.0],
        [-16.0, 1.0, 2.0],
        [14.0, -3.5, 3.5],
        [0.0, -7.0, -1.0],
        [24.0, 30.0, 9.5],
    ]
)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("match")
    mouth = build_mouth(missing=(2, 12), step_mm=0.45)
    write_nifti(place / "scan.nii.gz", scan_of(mouth, TRUTH, voxel_mm=0.5, spheres=[(b, 1.0) for b in BALLS]))
    surface = surface_of(mouth)
    write_stl(place / "lower.stl", surface)
    write_stl(place / "flat.stl", Surface(surface.points_mm * [1.0, 1.0, 0.0], surface.triangles, surface.frame))
    again = pose([-3.0, 5.0, -6.0], [-2.0, 1.0, 3.0])
    write_nifti(
        place / "second.nii.gz", scan_of(mouth, again, voxel_mm=0.5, seed=5, spheres=[(b, 1.0) for b in BALLS])
    )
    return place


def run(capsys: Any, *argv: str) -> Any:
    code = main([*argv, "--json"])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return json.loads(captured.out)


def at() -> list[str]:
    return [f"--at={x:.3f},{y:.3f},{z:.3f}" for x, y, z in TRUTH.apply(SITES)]


def errors_mm(found: Any, truth: np.ndarray, places: np.ndarray) -> np.ndarray:
    matrix = np.array(found["volume_from_surface"])
    back = np.linalg.inv(truth)
    there = places @ back[:3, :3].T + back[:3, 3]
    return np.linalg.norm(there @ matrix[:3, :3].T + matrix[:3, 3] - places, axis=1)


def test_a_surface_is_matched_and_adopted(files: Path, tmp_path: Path, capsys: Any) -> None:
    case = str(tmp_path / "case")
    main(["import", str(files / "scan.nii.gz"), case])
    main(["import", str(files / "lower.stl"), case, "--unit", "mm"])
    capsys.readouterr()
    found = run(capsys, "match-surface", "--into", case, *at())
    assert found["trusted"] is True, found["reasons"]
    assert {"volume_from_surface", "residual_rms_mm", "expected_error_mm", "trusted", "reasons"} <= set(found)
    places = TRUTH.apply(SITES)
    errors = errors_mm(found, TRUTH.matrix, places)
    assert errors.max() < 0.15
    stated = found["expected_error_mm"]
    np.testing.assert_allclose([row["at_lps_mm"] for row in stated], places, atol=1e-3)
    assert all(0.0 < row["rms_mm"] < row["p95_mm"] < 0.5 for row in stated)
    with CaseStore.open(tmp_path / "case") as store:
        plan = store.plan()
    assert plan.match is not None
    assert plan.match.surface_id == "lower"
    # A wax-up is not in the patient.
    main(["import", str(files / "lower.stl"), case, "--unit", "mm", "--surface-id", "wax", "--role", "wax-up"])
    capsys.readouterr()
    assert main(["match-surface", "--into", case, "--surface-id", "wax"]) == 2
    assert "wax-up" in capsys.readouterr().err


def test_two_volumes_are_matched_by_their_markers(files: Path, capsys: Any) -> None:
    found = run(capsys, "match-markers", str(files / "scan.nii.gz"), str(files / "second.nii.gz"), *at())
    assert found["road"] == "markers"
    assert found["markers_used"] >= 5
    truth = TRUTH.matrix @ np.linalg.inv(pose([-3.0, 5.0, -6.0], [-2.0, 1.0, 3.0]).matrix)
    assert errors_mm(found, truth, TRUTH.apply(SITES)).max() < 0.25


def test_what_cannot_be_matched_is_refused_or_not_trusted(files: Path, capsys: Any) -> None:
    # The surface shows no marker: cusps that fit each other are no match to be trusted.
    cusps = run(capsys, "match-markers", str(files / "scan.nii.gz"), str(files / "lower.stl"))
    assert cusps["trusted"] is False
    assert "cusps" in cusps["reasons"][-1]
    assert main(["match-surface", str(files / "scan.nii.gz"), str(files / "second.nii.gz")]) == 2
    assert "STL" in capsys.readouterr().err
    assert main(["match-surface", str(files / "scan.nii.gz")]) == 2
    assert "second file" in capsys.readouterr().err
    flat = run(capsys, "match-surface", str(files / "scan.nii.gz"), str(files / "flat.stl"), "--jaw", "lower")
    assert flat["trusted"] is False
    assert flat["reasons"]
