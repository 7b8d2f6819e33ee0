"""The case on disk: everything comes back, every step at once, and what cannot be written opens read-only."""

from __future__ import annotations

import json
import mmap
import os
import sqlite3
import stat
import tempfile
from pathlib import Path

import attrs
import nibabel as nib
import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from planner_core.anatomy.structures import Side
from planner_core.case import codec, edits
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.errors import Cancelled, PlannerError
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.planning.fixture import FixturePose
from planner_core.registration.match import PointPair
from tests.core.case.sample_plans import full_plan, small_canal, small_shape, small_volume, with_marks


def assert_same(a: object, b: object, where: str = "plan") -> None:
    """Equal in value, bit by bit, all the way down."""
    if isinstance(a, np.ndarray):
        assert isinstance(b, np.ndarray), where
        assert a.dtype == b.dtype, where
        np.testing.assert_array_equal(a, b, err_msg=where)
    elif isinstance(a, Volume | Surface):
        assert a.content_hash == b.content_hash, where  # type: ignore[attr-defined]
        for name in codec.attrs_fields(type(a)):
            assert_same(getattr(a, name), getattr(b, name), f"{where}.{name}")
    elif attrs.has(type(a)):
        assert type(a) is type(b), where
        for name in codec.attrs_fields(type(a)):
            assert_same(getattr(a, name), getattr(b, name), f"{where}.{name}")
    elif hasattr(a, "items"):
        assert list(a) == list(b), where  # type: ignore[call-overload]
        for key, value in a.items():
            assert_same(value, b[key], f"{where}[{key}]")  # type: ignore[index]
    elif isinstance(a, tuple):
        assert isinstance(b, tuple), where
        assert len(a) == len(b), where
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            assert_same(x, y, f"{where}[{k}]")
    elif isinstance(a, float) and a != a:
        assert isinstance(b, float), where
        assert b != b, where
    else:
        assert a == b, where


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with CaseStore.create(tmp_path / "case", author="tester") as store:
        store.append(with_marks(full_plan()), "Everything")
    return tmp_path / "case"


def test_every_part_comes_back_equal(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        assert_same(with_marks(full_plan()), store.plan())
        assert not store.findings


def test_words_of_a_list_come_back_as_members(folder: Path) -> None:
    """A word that reads alike but is no member fails every `is` comparison."""
    with CaseStore.open(folder) as store:
        plan = store.plan()
    assert type(plan.jaw).__name__ == "Jaw"
    assert all(type(canal.side).__name__ == "Side" for canal in plan.canals.values())
    assert type(plan.guide.support).__name__ == "Support"


def test_the_sample_fills_every_part() -> None:
    plan = with_marks(full_plan())
    empty = [name for name in codec.attrs_fields(Plan) if not getattr(plan, name)]
    assert empty == [], "a part that the sample leaves empty is not tested"


def test_the_folder_holds_plain_formats(folder: Path) -> None:
    volume = small_volume()
    image = nib.load(next((folder / "blobs").glob("*.nii")))
    np.testing.assert_array_equal(np.asarray(image.dataobj.get_unscaled()).T, volume.stored)
    ras = image.affine @ [3, 2, 1, 1]
    np.testing.assert_allclose(ras[:3] * [-1, -1, 1], volume.to_lps([1, 2, 3]), atol=1e-4)
    np.testing.assert_allclose(np.asarray(image.dataobj).T, volume.grey(volume.stored), rtol=1e-6)
    plan = full_plan()
    expected = {s.surface.content_hash: s.surface for s in plan.surfaces.values()}
    meshes = [trimesh.load(path, process=False) for path in sorted((folder / "blobs").glob("*.ply"))]
    surface = next(iter(expected.values()))
    assert any(
        len(mesh.vertices) == len(surface.points_mm) and np.allclose(mesh.vertices, surface.points_mm)
        for mesh in meshes
    )


def test_a_step_costs_no_second_copy_of_the_scan(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        before = {p.name: p.stat().st_mtime_ns for p in (folder / "blobs").iterdir()}
        session = Session(store=store)
        session.apply("Title", edits.set_title, "Another")
        assert {p.name: p.stat().st_mtime_ns for p in (folder / "blobs").iterdir()} == before


def test_undo_survives_a_restart_and_an_edit_after_undo_branches(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        session.apply("A", edits.set_title, "a")
        session.apply("B", edits.set_title, "b")
        session.undo()
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        assert session.plan.title == "a"
        assert (session.undo_label, session.redo_label) == ("A", "B")
        session.redo()
        assert session.plan.title == "b"
        session.undo()
        session.undo()
        assert session.plan.title == "A test of everything"
        session.apply("C", edits.set_title, "c")
        assert session.redo_label is None
    with CaseStore.open(folder) as store:
        assert [r.label for r in store.history()] == ["New case", "Everything", "A", "B", "C"]
        assert store.head().parent == 2
        session = Session(store=store)
        assert session.plan.title == "c"
        assert session.undo()
        assert session.undo()
        assert not session.undo()
        assert session.plan.title == ""


def test_parts_that_did_not_change_are_the_same_objects_after_undo(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        session.apply("A", edits.set_title, "a")
        session.undo()
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        before = session.plan
        session.redo()
        assert session.plan.scan is not None
        assert before.scan is not None
        assert session.plan.scan.volume is before.scan.volume


def test_rows_name_who_when_what_and_chain(folder: Path) -> None:
    with CaseStore.open(folder, author="someone") as store:
        store.append(edits.set_title(store.plan(), "x"), "Title")
        first, second, third = store.history()
    assert (first.author, third.author, third.label) == ("tester", "someone", "Title")
    assert third.time_utc.endswith("+00:00")
    assert len({first.sha256, second.sha256, third.sha256}) == 3
    assert (first.parent, second.parent, third.parent) == (None, 1, 2)


def test_view_state_is_no_step(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        store.set_view_state({"station_mm": 12.5, "window": [100, 2000]})
        count = len(store.history())
    with CaseStore.open(folder) as store:
        assert store.view_state() == {"station_mm": 12.5, "window": [100, 2000]}
        assert len(store.history()) == count


def test_derived_results_are_kept_by_their_key(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        store.remember("guide", "key-1", b"mesh one")
        assert store.recall("guide", "key-1") == b"mesh one"
        assert store.recall("guide", "key-2") is None
        store.remember("guide", "key-2", b"mesh two")
    with CaseStore.open(folder) as store:
        assert store.recall("guide", "key-1") is None
        assert store.recall("guide", "key-2") == b"mesh two"
        assert len(list((folder / "blobs").glob("*.bin"))) == 1, "the older result was swept on opening"


def test_orphans_are_swept_and_nothing_else(folder: Path) -> None:
    needed = {p.name for p in (folder / "blobs").iterdir()}
    (folder / "blobs" / ".new-deadbeef").write_bytes(b"half")
    (folder / "blobs" / ("0" * 64 + ".npy")).write_bytes(b"of no revision")
    (folder / "blobs" / "readme.txt").write_text("a user's own file")
    CaseStore.open(folder).close()
    assert {p.name for p in (folder / "blobs").iterdir()} == needed | {"readme.txt"}


def test_the_second_window_is_read_only(folder: Path) -> None:
    with CaseStore.open(folder) as first, CaseStore.open(folder) as second:
        assert not first.read_only
        assert "Another window" in second.read_only_reason
        assert second.plan().title == "A test of everything"
        with pytest.raises(PlannerError, match="Another window"):
            second.append(Plan(), "No")
        session = Session(store=second)
        with pytest.raises(PlannerError):
            session.apply("Title", edits.set_title, "x")
        assert session.plan.title == "A test of everything"
    with CaseStore.open(folder) as store:
        assert not store.read_only


def test_creating_where_something_is_gives_a_sentence(folder: Path) -> None:
    with pytest.raises(PlannerError, match="something at"):
        CaseStore.create(folder)


def test_a_cancelled_creation_leaves_nothing(tmp_path: Path) -> None:
    def stop(fraction: float, text: str = "") -> None:
        raise Cancelled

    plan = edits.set_scan(Plan(), attrs.evolve(full_plan().scan, volume=small_volume(3, (80, 200, 200))))
    with pytest.raises(Cancelled):
        CaseStore.create(tmp_path / "case", plan=plan, progress=stop)
    assert list(tmp_path.iterdir()) == []


def test_opening_what_is_no_case_gives_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(PlannerError, match="no case"):
        CaseStore.open(tmp_path / "missing")
    (tmp_path / "case.db").write_bytes(b"")
    with pytest.raises(PlannerError, match=r"not a case|no revision"):
        CaseStore.open(tmp_path)
    sqlite3.connect(tmp_path / "case.db").execute("create table x (y)").connection.close()
    with pytest.raises(PlannerError, match="not a case"):
        CaseStore.open(tmp_path)


def test_a_newer_format_opens_read_only(folder: Path) -> None:
    db = sqlite3.connect(folder / "case.db")
    number, text = db.execute("select number, plan from revision order by number desc").fetchone()
    data = json.loads(text)
    data["something_new"] = {"deep": [1, 2]}
    data["fixtures"]["36"]["coating"] = "new"
    db.execute("update revision set plan = ?, format = 99 where number = ?", (json.dumps(data), number))
    db.commit()
    db.close()
    with CaseStore.open(folder) as store:
        assert "newer version" in store.read_only_reason
        assert store.plan().fixtures["36"].site == "36"


def test_an_unknown_key_in_todays_format_is_a_fault(folder: Path) -> None:
    db = sqlite3.connect(folder / "case.db")
    number, text = db.execute("select number, plan from revision order by number desc").fetchone()
    data = json.loads(text)
    data["something_new"] = 1
    db.execute("update revision set plan = ? where number = ?", (json.dumps(data), number))
    db.commit()
    db.close()
    with CaseStore.open(folder) as store, pytest.raises(PlannerError, match="something_new"):
        store.plan()


def test_missing_and_damaged_blobs_leave_the_rest(folder: Path) -> None:
    next((folder / "blobs").glob("*.nii")).unlink()
    ply = next((folder / "blobs").glob("*.ply"))
    ply.write_bytes(ply.read_bytes()[:-1] + b"x")
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        assert session.plan.scan is None
        assert set(session.plan.fixtures) == {"36", "46"}
        assert store.read_only
        texts = [finding.text for finding in store.findings if finding.code == "blob-missing"]
        assert any(text.startswith("The scan is left out") for text in texts)
        assert any(text.startswith("The scan of the prosthesis is left out") for text in texts)
        assert len(texts) == 3, "the sample's two scans are the same file"


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="needs a POSIX system and root to drop its rights")
def test_a_read_only_folder_opens_and_is_left_alone(folder: Path) -> None:
    for path in [folder, folder / "blobs", *folder.iterdir(), *(folder / "blobs").iterdir()]:
        path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) | 0o555)
    for path in (folder.parent, folder.parent.parent, folder.parent.parent.parent):
        path.chmod(path.stat().st_mode | 0o555)
    before = sorted((p.name, p.stat().st_mtime_ns) for p in folder.rglob("*"))
    out = as_nobody(folder)
    assert "cannot be written" in out.get("reason", ""), out
    assert out["title"] == "A test of everything"
    assert "cannot be written" in out["refused"]
    assert sorted((p.name, p.stat().st_mtime_ns) for p in folder.rglob("*")) == before


def as_nobody(folder: Path) -> dict[str, str]:
    """Open the case in a child without root's rights."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:  # pragma: no cover - the child
        result: dict[str, str] = {}
        try:
            os.setgid(65534)
            os.setuid(65534)
            with CaseStore.open(folder) as store:
                result = {"reason": store.read_only_reason, "title": store.plan().title}
                try:
                    store.append(Plan(), "No")
                except PlannerError as refused:
                    result["refused"] = str(refused)
        except BaseException as fault:
            result["fault"] = repr(fault)
        os.write(writer, json.dumps(result).encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader, "rb") as stream:
        data = stream.read()
    os.waitpid(child, 0)
    return json.loads(data)  # type: ignore[no-any-return]


def is_mapped(volume: Volume) -> bool:
    base = volume.stored
    while isinstance(base, np.ndarray) and base.base is not None:
        base = base.base
    return isinstance(base, mmap.mmap)


def test_volumes_come_into_memory_and_are_verified(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        plan = store.plan()
        assert plan.scan is not None
        assert is_mapped(plan.scan.volume) == store.blobs.may_map
        expected = small_volume()
        store.bring_into_memory()
        assert not is_mapped(plan.scan.volume)
        np.testing.assert_array_equal(plan.scan.volume.stored, expected.stored)
        assert plan.scan.volume.content_hash == expected.content_hash


def test_a_changed_volume_is_noticed_when_it_is_verified(folder: Path) -> None:
    path = next((folder / "blobs").glob("*.nii"))
    data = bytearray(path.read_bytes())
    data[-2] ^= 1
    path.write_bytes(data)
    with CaseStore.open(folder) as store:
        if not store.blobs.may_map:
            pytest.skip("this folder is not mapped")
        plan = store.plan()
        assert plan.scan is not None
        with pytest.raises(PlannerError, match="damaged"):
            store.bring_into_memory()
        assert store.read_only


WALK = st.lists(st.sampled_from(["title", "move", "place", "delete", "canal", "undo", "redo", "pair"]), max_size=12)


def one_step(session: Session, word: str, k: int) -> None:
    """One step of a random walk; steps that cannot be done now are passed over."""
    pose = FixturePose([20.0 + k, 5.0 - k / 3, 1.0 / (k + 3)], [0.01 * k, 0.0, -1.0], 7.0 * k)
    if word in ("undo", "redo"):
        getattr(session, word)()
    elif word == "title":
        session.apply("Title", edits.set_title, f"{k} Ω \n \x7f 山")
    elif word == "canal":
        session.apply("Canal", edits.set_canal, small_canal(Side.LEFT, 30 + 4 * k))
    elif word == "pair":
        session.apply("Pair", edits.add_pair, PointPair(f"p{k}", [k, 1e-300, -0.0], [k, 1e300, 1 / 3], 0.1 * k))
    elif word == "move" and "36" in session.plan.fixtures:
        session.apply("Move", edits.move_fixture, "36", pose)
    elif word == "place" and "34" not in session.plan.fixtures:
        session.apply("Place", edits.place_fixture, "34", small_shape(9.0 + k), pose)
    elif word == "delete" and "34" in session.plan.fixtures:
        session.apply("Delete", edits.delete_fixture, "34")


@given(WALK)
@settings(max_examples=12, deadline=None)
def test_any_walk_comes_back_from_the_disk(steps: list[str]) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        with CaseStore.create(Path(scratch) / "case", plan=full_plan()) as store:
            session = Session(store=store)
            for k, word in enumerate(steps):
                one_step(session, word, k)
            before, labels = session.plan, (session.undo_label, session.redo_label)
        with CaseStore.open(Path(scratch) / "case") as store:
            again = Session(store=store)
            assert_same(before, again.plan)
            assert (again.undo_label, again.redo_label) == labels
            while again.undo():
                pass
            assert_same(full_plan(), again.plan)
        assert check(Path(scratch) / "case").whole


def test_a_scan_written_ahead_is_not_written_again(folder: Path) -> None:
    seen: list[float] = []

    def progress(fraction: float, text: str = "") -> None:
        seen.append(fraction)

    volume = small_volume(11, (60, 180, 180))
    with CaseStore.open(folder) as store:
        store.prepare(volume, progress)
        assert seen == sorted(seen)
        assert len(seen) >= 4
        ahead = {p.name: p.stat().st_mtime_ns for p in (folder / "blobs").glob("*.nii")}
        scan = attrs.evolve(full_plan().scan, volume=volume)
        store.append(edits.set_scan(store.plan(), scan), "Import scan")
        assert {p.name: p.stat().st_mtime_ns for p in (folder / "blobs").glob("*.nii")} == ahead
        store.prepare(small_volume(12), progress)
    with CaseStore.open(folder) as store:
        assert len(list((folder / "blobs").glob("*.nii"))) == 2, "the one whose step never came is swept"
        assert store.plan().scan.volume.content_hash == volume.content_hash  # type: ignore[union-attr]


@pytest.mark.parametrize("stop_at", [0.0, 0.2, 0.5, 0.9])
def test_a_cancelled_step_leaves_nothing(folder: Path, stop_at: float) -> None:
    def stop(fraction: float, text: str = "") -> None:
        if fraction >= stop_at:
            raise Cancelled

    with CaseStore.open(folder) as store:
        before = sorted(p.name for p in folder.rglob("*"))
        scan = attrs.evolve(full_plan().scan, volume=small_volume(21, (60, 250, 250)))
        plan = edits.set_scan(store.plan(), scan)
        with pytest.raises(Cancelled):
            store.append(plan, "Import scan", stop)
        assert sorted(p.name for p in folder.rglob("*")) == before
        assert len(store.history()) == 2
        store.append(plan, "Import scan")
    assert check(folder).whole
