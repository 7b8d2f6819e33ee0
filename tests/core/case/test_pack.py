"""Packing, unpacking and checking: whole cases come through, everything else is refused and leaves nothing."""

from __future__ import annotations

import sqlite3
import zipfile
from pathlib import Path

import pytest

from planner_core.case import edits, pack
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.errors import Cancelled, PlannerError
from tests.core.case.sample_plans import full_plan
from tests.core.case.test_case_file import assert_same


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with CaseStore.create(tmp_path / "case") as store:
        store.append(full_plan(), "Everything")
        store.append(edits.set_title(full_plan(), "Two"), "Title")
        store.move_head(2)
    return tmp_path / "case"


@pytest.fixture
def packed(folder: Path, tmp_path: Path) -> Path:
    pack.pack(folder, tmp_path / "case.zip")
    return tmp_path / "case.zip"


def rezip(
    source: Path, target: Path, change: dict[str, bytes | None], extra: dict[str, bytes] | None = None
) -> Path:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            data = change.get(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
        for name, data in (extra or {}).items():
            new.writestr(name, data)
    return target


def test_a_packed_case_comes_back_whole_with_its_history(folder: Path, packed: Path, tmp_path: Path) -> None:
    pack.unpack(packed, tmp_path / "again")
    with CaseStore.open(folder) as old, CaseStore.open(tmp_path / "again") as new:
        assert new.history() == old.history()
        assert new.head() == old.head()
        assert_same(old.plan(), new.plan())
        assert_same(old.plan(3), new.plan(3))
    assert check(tmp_path / "again").whole


def test_the_check_finds_nothing_in_a_whole_case(folder: Path) -> None:
    report = check(folder)
    assert report.whole
    assert report.findings == ()
    assert (report.revisions, report.head) == (3, 2)
    assert report.blobs == len(list((folder / "blobs").iterdir()))


def test_the_check_finds_a_changed_plan_and_everything_behind_it(folder: Path) -> None:
    db = sqlite3.connect(folder / "case.db")
    db.execute("update revision set plan = replace(plan, 'K7-Q2', 'K7-Q3') where number = 2")
    db.commit()
    db.close()
    report = check(folder)
    assert [(f.code, f.where) for f in report.findings] == [("hash-differs", "revision 2")]
    # Who also forges the hash of revision 2 breaks the chain at 3.
    db = sqlite3.connect(folder / "case.db")
    db.execute("update revision set sha256 = ? where number = 2", ("0" * 64,))
    db.commit()
    db.close()
    assert ("hash-differs", "revision 3") in [(f.code, f.where) for f in check(folder).findings]


def test_the_check_finds_missing_changed_and_stray_blobs(folder: Path) -> None:
    blobs = sorted((folder / "blobs").iterdir())
    blobs[0].unlink()
    blobs[1].write_bytes(blobs[1].read_bytes() + b"x")
    (folder / "blobs" / ("1" * 64 + ".npy")).write_bytes(b"")
    codes = sorted(f.code for f in check(folder).findings)
    assert codes == ["blob-changed", "blob-missing", "blob-orphan"]
    assert not check(folder).whole


def refused(source: Path, tmp_path: Path, match: str) -> None:
    before = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(PlannerError, match=match):
        pack.unpack(source, tmp_path / "out")
    assert sorted(p.name for p in tmp_path.iterdir()) == before, "nothing is left behind"


@pytest.mark.parametrize(
    "name",
    [
        "../evil.txt",
        "/etc/evil",
        "blobs/../../evil",
        "C:\\evil",
        "blobs/evil.exe",
        "blobs/" + "a" * 64 + ".npy/x",
        "x/",
    ],
)
def test_names_that_a_case_does_not_have_are_refused(packed: Path, tmp_path: Path, name: str) -> None:
    refused(rezip(packed, tmp_path / "evil.zip", {}, {name: b"evil"}), tmp_path, "no packed case")


def test_a_bomb_is_refused_by_what_it_says(packed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pack, "FREE_BYTES", 1 << 16)
    name = "blobs/" + "0" * 64 + ".bin"
    bomb = rezip(packed, tmp_path / "bomb.zip", {}, {name: bytes(30_000_000)})
    refused(bomb, tmp_path, "which no case does")


def test_a_bomb_that_lies_about_its_size_is_stopped(packed: Path, tmp_path: Path) -> None:
    name = "blobs/" + "0" * 64 + ".bin"
    bomb = rezip(packed, tmp_path / "bomb.zip", {}, {name: bytes(30_000_000)})
    data = bytearray(bomb.read_bytes())
    place = data.rfind(b"PK\x01\x02")
    assert data[place + 46 : place + 46 + len(name)] == name.encode()
    data[place + 24 : place + 28] = (1000).to_bytes(4, "little")
    bomb.write_bytes(data)
    refused(bomb, tmp_path, r"more than it says|no whole zip")


def test_a_case_that_does_not_fit_is_refused_first(
    packed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pack.shutil, "disk_usage", lambda _: type("Usage", (), {"free": 10})())
    refused(packed, tmp_path, "the disk has")


def test_damage_in_the_zip_is_noticed(packed: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(packed) as old:
        blob = next(n for n in old.namelist() if n.endswith(".nii"))
        data = old.read(blob)
    refused(rezip(packed, tmp_path / "a.zip", {blob: data[:-2] + b"zz"}), tmp_path, "damaged")
    refused(rezip(packed, tmp_path / "b.zip", {blob: None}), tmp_path, "damaged")
    refused(rezip(packed, tmp_path / "c.zip", {"case.db": b"SQLite format 3\0 and nothing"}), tmp_path, "database")
    (tmp_path / "d.zip").write_bytes(packed.read_bytes()[: packed.stat().st_size // 2])
    refused(tmp_path / "d.zip", tmp_path, "no whole zip")
    (tmp_path / "e.zip").write_text("a text")
    refused(tmp_path / "e.zip", tmp_path, "no whole zip")
    refused(tmp_path / "missing.zip", tmp_path, "no file")


def test_unpacking_onto_something_is_refused(packed: Path, folder: Path) -> None:
    with pytest.raises(PlannerError, match="something at"):
        pack.unpack(packed, folder)


@pytest.mark.parametrize("doing", ["pack", "unpack"])
def test_cancel_leaves_nothing(folder: Path, packed: Path, tmp_path: Path, doing: str) -> None:
    calls = 0

    def stop(fraction: float, text: str = "") -> None:
        nonlocal calls
        calls += 1
        if calls == 3:
            raise Cancelled

    before = sorted(p.name for p in tmp_path.iterdir())
    work, source = (pack.pack, folder) if doing == "pack" else (pack.unpack, packed)
    with pytest.raises(Cancelled):
        work(source, tmp_path / "new", stop)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_case_with_missing_files_is_not_packed(folder: Path, tmp_path: Path) -> None:
    next((folder / "blobs").glob("*.nii")).unlink()
    with pytest.raises(PlannerError, match="misses 1"):
        pack.pack(folder, tmp_path / "new.zip")
    with pytest.raises(PlannerError, match="cannot lie in the case"):
        pack.pack(folder, folder / "new.zip")
