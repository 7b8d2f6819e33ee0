"""A small case built by commands alone: import, pairs, edits by name, numbers, sheet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.cli import main
from planner_core.case.case_file import CaseStore
from planner_core.geometry.volume import Volume
from planner_core.imaging.nifti import write_nifti
from planner_core.imaging.surface_files import write_stl
from tests.core.case.sample_plans import small_bone


def block_scan() -> Volume:
    """A block of bone in soft tissue, with noise, 1 mm voxels."""
    index = np.stack(np.mgrid[0:45, 0:70, 0:80], axis=-1)
    x, y, z = index[..., 2] - 40.0, index[..., 1] - 30.0, index[..., 0] - 35.0
    grey = np.where(z > 4, -1000.0, 0.0)
    grey[(np.abs(x) < 32) & (y > -20) & (y < 30) & (z < 1) & (z > -25)] = 1000.0
    grey += np.random.default_rng(3).normal(0.0, 30.0, grey.shape)
    affine = np.array([[0, 0, 1, -40], [0, 1, 0, -30], [1, 0, 0, -35], [0, 0, 0, 1]], dtype=float)
    return Volume(grey.astype(np.int16), affine)


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    write_nifti(tmp_path / "scan.nii.gz", block_scan())
    surface = small_bone()
    write_stl(tmp_path / "lower.stl", surface)
    (tmp_path / "pairs.json").write_text(json.dumps({"surface_id": "lower", "at_lps_mm": [[24, 5, 0]], "pairs": [
        {"name": f"m{k}", "surface_mm": p, "lps_mm": [p[0] + 1, p[1] + 2, p[2] + 3], "localisation_mm": 0.3}
        for k, p in enumerate([[-25, 20, 5], [25, 22, 5], [0, -20, 5], [5, 0, 9]])
    ]}))  # fmt: skip
    (tmp_path / "edits.json").write_text(json.dumps({"steps": [
        {"label": "Anatomy", "edits": [
            {"edit": "set_arch", "arch": {"control_lps_mm": [[-25, 20, 0], [0, -18, 0], [25, 20, 0]]}},
            {"edit": "set_canal", "canal": {"side": "left", "clicks_lps_mm": [[24, -10, -16], [25, 10, -16]]}},
        ]},
        {"label": "Fixture 36", "edits": [
            {"edit": "place_fixture", "site": "36", "shape": "generic-parallel-4.0x10",
             "pose": {"platform_lps_mm": [24, 5, 0], "axis_lps": [0, 0, -1]}},
            {"edit": "set_guide", "support": "teeth", "guidance": "all drills and fixture", "code": "B2"},
            {"edit": "set_sleeve", "site": "36", "sleeve": "generic-5.0x5"},
            {"edit": "set_drill_list", "drill_list": "generic-4.0"},
        ]},
    ]}))  # fmt: skip
    return tmp_path


def run(capsys: Any, *argv: str) -> Any:
    code = main([*argv, "--json"])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return json.loads(captured.out)


def test_a_case_by_commands(sources: Path, capsys: Any) -> None:
    case = str(sources / "case")
    assert run(capsys, "import", str(sources / "scan.nii.gz"), case)["shape"] == [45, 70, 80]
    assert run(capsys, "import", str(sources / "lower.stl"), case, "--unit", "mm")["triangles"] == 12
    matched = run(capsys, "match-points", str(sources / "pairs.json"), "--into", case)
    np.testing.assert_allclose(np.array(matched["volume_from_surface"])[:3, 3], [1, 2, 3], atol=1e-6)
    assert 0.1 < matched["expected_error_mm"][0]["p95_mm"] < 1.0
    done = run(capsys, "apply", case, str(sources / "edits.json"))
    assert done["steps"] == ["Anatomy", "Fixture 36"]
    rows = run(capsys, "clearances", case)["clearances"]
    fixture = next(r for r in rows if r["body"] == "fixture" and r["kind"] == "canal")
    # 10 mm long from height 0, canal's centre at 16 mm, radius 1.5 mm: 4.5 mm left below the apex.
    assert fixture["distance_mm"] == pytest.approx(4.5, abs=0.15)
    sheet = run(capsys, "sheet", case, str(sources / "sheet.pdf"), "--draft")
    assert sheet["fixtures"][0]["depth_from_sleeve_top_mm"] == pytest.approx(5.0 + 4.0 + 10.0)
    with CaseStore.open(sources / "case") as store:
        assert [r.label for r in store.history()][-3:] == ["Match by points", "Anatomy", "Fixture 36"]
        assert set(store.plan().made_on) >= {"arch", "canal:left", "fixture:36", "pairs"}


def test_words_for_a_person(sources: Path, capsys: Any) -> None:
    case = str(sources / "case")
    for argv in (
        ["import", str(sources / "scan.nii.gz"), case],
        ["import", str(sources / "lower.stl"), case],
        ["match-points", str(sources / "pairs.json"), "--into", case],
        ["apply", case, str(sources / "edits.json")],
        ["apply", "--list"],
        ["scan-check", case],
        ["chain", case],
        ["clearances", case],
        ["budget", case],
        ["history", case],
        ["check", case],
        ["sheet", case, str(sources / "s.pdf"), "--draft"],
        ["--help"],
        ["import", "--help"],
    ):
        assert main(argv) == 0, argv
        out, err = capsys.readouterr()
        assert out.strip(), argv
        assert not err, argv
        assert "Traceback" not in out


def test_stopping_and_own_faults_have_their_codes(
    sources: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch, default_settings: Path
) -> None:
    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("app.cli_case.check", stop)
    assert main(["check", str(sources)]) == 130

    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("app.cli_case.check", fail)
    assert main(["check", str(sources)]) == 1
    words = capsys.readouterr().err
    assert "inside the program" in words
    assert "Traceback" not in words
    logs = list(default_settings.rglob("fault-*.txt"))
    assert len(logs) == 1
    assert "ZeroDivisionError" in logs[0].read_text()


def test_applying_is_all_or_nothing(sources: Path, capsys: Any) -> None:
    case = str(sources / "case")
    run(capsys, "import", str(sources / "scan.nii.gz"), case)
    script = json.loads((sources / "edits.json").read_text())
    script["steps"].append({"edits": [{"edit": "delete_fixture", "site": "11"}]})
    (sources / "bad.json").write_text(json.dumps(script))
    assert main(["apply", case, str(sources / "bad.json")]) == 2
    assert "11" in capsys.readouterr().err
    with CaseStore.open(sources / "case") as store:
        assert [r.label for r in store.history()][-1].startswith("Import scan")


def test_every_command_is_found_where_the_table_says() -> None:
    import argparse
    import importlib

    from app.cli import PARTS

    for part, names in PARTS.items():
        commands = argparse.ArgumentParser().add_subparsers()
        importlib.import_module(part).register(commands)
        assert tuple(commands.choices) == names
