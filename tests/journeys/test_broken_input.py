"""Broken input on the command line: one sentence, exit 2, nothing left behind."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydicom.data import get_testdata_file

from app.cli import main
from tests.benchmarks.reopen import write_series


def empty_folder(place: Path) -> Path:
    (place / "empty").mkdir()
    return place / "empty"


def text_file(place: Path) -> Path:
    (place / "letter.txt").write_text("Dear colleague,\n")
    return place / "letter.txt"


def folder_of_texts(place: Path) -> Path:
    folder = empty_folder(place)
    (folder / "a.txt").write_text("a")
    (folder / "b.dcm").write_text("no DICOM at all")
    return folder


def truncated_dicom(place: Path) -> Path:
    data = Path(get_testdata_file("CT_small.dcm")).read_bytes()
    (place / "cut.dcm").write_bytes(data[: len(data) // 2])
    return place / "cut.dcm"


def broken_folder(place: Path) -> Path:
    folder = empty_folder(place)
    whole = Path(get_testdata_file("CT_small.dcm")).read_bytes()
    (folder / "1.dcm").write_bytes(whole)
    (folder / "2.dcm").write_bytes(whole[:3000])
    return folder


def missing_path(place: Path) -> Path:
    return place / "not" / "there"


def broken_zip(place: Path) -> Path:
    (place / "scan.zip").write_bytes(b"PK\x03\x04 and then nothing")
    return place / "scan.zip"


def broken_nifti(place: Path) -> Path:
    (place / "scan.nii.gz").write_bytes(b"\x1f\x8b nothing")
    return place / "scan.nii.gz"


def broken_surface(place: Path) -> Path:
    (place / "lower.stl").write_bytes(b"solid nothing")
    return place / "lower.stl"


SOURCES = [
    empty_folder, text_file, folder_of_texts, truncated_dicom, broken_folder, missing_path, broken_zip,
    broken_nifti, broken_surface,
]  # fmt: skip


def listing(place: Path) -> list[str]:
    return sorted(str(path.relative_to(place)) for path in place.rglob("*"))


def assert_refused(argv: list[str], place: Path, capsys: Any) -> str:
    """Exit 2, one or two sentences on standard error, nothing on standard output, nothing new on the disk."""
    before = listing(place)
    code = main(argv)
    out, err = capsys.readouterr()
    assert code == 2, (code, err)
    assert out == ""
    assert err.count("\n") == 1, err
    assert err.strip().endswith((".", "`"))
    assert "Traceback" not in err
    assert "Error" not in err
    assert len(err) < 1200
    assert listing(place) == before
    return err


@pytest.mark.parametrize("make", SOURCES, ids=lambda make: make.__name__)
def test_import_of_broken_sources(make: Callable[[Path], Path], tmp_path: Path, capsys: Any) -> None:
    source = make(tmp_path)
    assert_refused(["import", str(source), str(tmp_path / "case")], tmp_path, capsys)


@pytest.mark.parametrize("make", SOURCES[:7], ids=lambda make: make.__name__)
def test_scan_check_of_broken_sources(make: Callable[[Path], Path], tmp_path: Path, capsys: Any) -> None:
    source = make(tmp_path)
    assert_refused(["scan-check", str(source), "--map", str(tmp_path / "out.nii.gz")], tmp_path, capsys)


@pytest.mark.parametrize("command", ["chain", "clearances", "budget", "check", "history", "pack", "sheet", "apply"])
@pytest.mark.parametrize("what", ["missing", "empty", "file", "no case", "empty database"])
def test_commands_on_what_is_no_case(command: str, what: str, tmp_path: Path, capsys: Any) -> None:
    case = tmp_path / "case"
    (tmp_path / "edits.json").write_text("[]")
    if what == "file":
        case.write_text("x")
    elif what != "missing":
        case.mkdir()
    if what == "no case":
        (case / "case.db").write_text("no database")
    if what == "empty database":
        (case / "case.db").write_bytes(b"")
    more = {"pack": ["out.zip"], "sheet": ["out.pdf"], "apply": ["edits.json"]}.get(command, [])
    assert_refused([command, str(case), *(str(tmp_path / name) for name in more)], tmp_path, capsys)


@pytest.mark.parametrize(
    "text",
    [
        "no json", "{}", "[1]", '[{"edit": "no_such"}]', '[{"edit": "delete_fixture"}]',
        '[{"edit": "set_title", "title": 3}]', '[{"edit": "set_title", "name": "x"}]',
        '[{"edit": "place_fixture", "site": "99", "shape": "generic-parallel-4.0x10", '
        '"pose": {"platform_lps_mm": [0, 0, 0], "axis_lps": [0, 0, 1]}}]',
        '[{"edit": "place_fixture", "site": "36", "shape": "nothing", '
        '"pose": {"platform_lps_mm": [0, 0, 0], "axis_lps": [0, 0, 1]}}]',
        '[{"edit": "place_fixture", "site": "36", "shape": "generic-parallel-4.0x10", '
        '"pose": {"platform_lps_mm": [0, 0], "axis_lps": [0, 0, 0]}}]',
        '[{"edit": "set_canal", "canal": {"side": "middle", "clicks_lps_mm": [[0, 0, 0], [1, 1, 1]]}}]',
        '[{"edit": "set_canal", "canal": {"side": "left", "clicks_lps_mm": "abc"}}]',
        '[{"edit": "set_scan", "scan": {"file": "nowhere"}}]',
        '[{"edit": "adopt_bone", "bone": {"from": "scan"}}]',
        '[{"edit": "adopt_match", "match": {"road": "points"}}]',
        '[{"edit": "set_margin", "kind": "canal", "margin_mm": -1}]',
    ],
)  # fmt: skip
def test_broken_edits(text: str, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "edits.json").write_text(text)
    from planner_core.case.case_file import CaseStore

    CaseStore.create(tmp_path / "case").close()
    assert_refused(["apply", str(tmp_path / "case"), str(tmp_path / "edits.json")], tmp_path, capsys)
    with CaseStore.open(tmp_path / "case") as store:
        assert len(store.history()) == 1


@pytest.mark.parametrize(
    "pairs",
    [
        "no json", "{}", '{"pairs": []}', '{"pairs": [1, 2, 3]}', '{"pairs": [{"surface_mm": [0, 0, 0]}]}',
        json.dumps({"pairs": [{"surface_mm": [k, 0, 0], "lps_mm": [k, 0, 0]} for k in range(4)]}),
        json.dumps({"pairs": [{"surface_mm": [k, k, 0, 1], "lps_mm": [k, 0, k]} for k in range(4)]}),
        json.dumps({"pairs": [{"surface_mm": [0, 0, 0], "lps_mm": [1, 2, 3]} for _ in range(4)]}),
        json.dumps({"pairs": [{"surface_mm": ["a", 0, 0], "lps_mm": [1, 2, 3]} for _ in range(4)]}),
    ],
)  # fmt: skip
def test_broken_pairs(pairs: str, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "pairs.json").write_text(pairs)
    assert_refused(["match-points", str(tmp_path / "pairs.json")], tmp_path, capsys)


def test_wrong_arguments(tmp_path: Path, capsys: Any) -> None:
    for argv in ([], ["no-such"], ["import"], ["check"], ["sheet", "a"], ["import", "a", "b", "--jaw", "middle"]):
        assert main(argv) == 2, argv
        err = capsys.readouterr().err
        assert err.count("\n") == 1, err


@pytest.mark.skipif(not os.access("/dev/full", os.W_OK), reason="this system has no /dev/full")
def test_an_output_that_cannot_be_written(tmp_path: Path, capsys: Any) -> None:
    from planner_core.case.case_file import CaseStore

    CaseStore.create(tmp_path / "case").close()
    shutil.copy(get_testdata_file("CT_small.dcm"), tmp_path / "x.dcm")
    assert_refused(["pack", str(tmp_path / "case"), str(tmp_path / "x.dcm")], tmp_path, capsys)
    assert_refused(["pack", str(tmp_path / "case"), str(tmp_path / "x.dcm" / "y.zip")], tmp_path, capsys)


def test_whose_scan_it_is(tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "series").mkdir()
    write_series(tmp_path / "series", slices=8, side=64)
    for option, name in (([], "Invented"), (["--without-identity"], "")):
        case = tmp_path / f"case{len(option)}"
        assert main(["import", str(tmp_path / "series"), str(case), "--json", *option]) == 0
        result = json.loads(capsys.readouterr().out)
        assert result["patient"]["name"] == name
        assert result["shape"] == [8, 64, 64]


def test_a_demo_without_its_sample_or_stopped_leaves_nothing(tmp_path: Path) -> None:
    from app.demo import SAMPLE, run_demo
    from planner_core.errors import Cancelled, PlannerError

    with pytest.raises(PlannerError, match="is missing"):
        run_demo(tmp_path / "out", tmp_path)
    assert listing(tmp_path) == []
    if not (SAMPLE / "truth.json").is_file():
        pytest.skip("the sample volume is not in this checkout")

    def stop(fraction: float, text: str = "") -> None:
        if fraction > 0.02:
            raise Cancelled

    with pytest.raises(Cancelled):
        run_demo(tmp_path / "out", progress=stop)
    assert listing(tmp_path) == []
