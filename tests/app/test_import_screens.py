"""The screens through which scans and surface scans come in, as the assistant uses them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QColor, QImage
from PySide6.QtWidgets import QApplication, QPushButton, QRadioButton
from pytestqt.qtbot import QtBot

from app import import_actions
from app.import_actions import cases_folder, look_at_surface, look_for_series
from app.questions import ScanAnswer, ScanQuestion, SurfaceAnswer
from app.theme import DARK, OKABE_ORANGE
from app.window.questions import WindowDialogs
from app.window.scan_chooser import ScanChooser
from app.window.surface_dialog import SurfaceDialog
from planner_core.case.plan import SurfaceRole
from planner_core.geometry.surface import Surface
from planner_core.imaging.surface_files import write_stl
from tests.app.small_case import scan_only
from tests.core.imaging.made_series import picture, write_series
from tests.core.imaging.test_surface_faults import sheet, without

LEFT = Qt.MouseButton.LeftButton
WHO = {"PatientName": "Muster^Anna", "PatientBirthDate": "19680312", "PatientID": "invented-7"}


@pytest.fixture
def scans(tmp_path: Path) -> Path:
    """One sound series, one tilted, one with a gap, and a letter."""
    place = tmp_path / "scans"
    values = picture(slices=12)
    steps = np.arange(12)[:, None]
    write_series(place / "a", values, SeriesInstanceUID="1.2.3.1", SeriesDescription="sound", **WHO)
    tilted = steps * [0.0, 0.15, 0.4]
    write_series(
        place / "b", values, SeriesInstanceUID="1.2.3.2", SeriesDescription="tilted", positions=tilted, **WHO
    )
    gap = (steps + 3 * (steps > 5)) * [0.0, 0.0, 0.4]
    write_series(place / "c", values, SeriesInstanceUID="1.2.3.3", SeriesDescription="gap", positions=gap, **WHO)
    (place / "letter.txt").write_text("Dear colleague")
    return place


@pytest.fixture
def chooser(scans: Path, qtbot: QtBot) -> ScanChooser:
    dialog = ScanChooser(ScanQuestion(scans, look_for_series(scans), "Berta Beispiel"), DARK)
    qtbot.addWidget(dialog)
    dialog.show()
    return dialog


def choose(dialog: ScanChooser, description: str) -> None:
    rows = [k for k in range(dialog.list.count()) if dialog.list.item(k).text().startswith(description)]
    dialog.list.setCurrentRow(rows[0])


def side_words(dialog: ScanChooser) -> str:
    return " ".join(text for _, text in (*dialog.facts._shown, *dialog.lines._shown))


def test_the_list_says_date_size_voxel_and_field_of_view_beside_a_picture(chooser: ScanChooser) -> None:
    assert chooser.list.count() == 3
    choose(chooser, "sound")
    item = chooser.list.currentItem()
    for words in ("2026-01-02", "48 x 40 x 12, 12 files", "Voxel 0.25 x 0.30 x 0.40 mm", "view 12 x 12 x 5 mm"):
        assert words in item.text(), words
    image = item.icon().pixmap(88, 88).toImage().convertToFormat(QImage.Format.Format_Grayscale8)
    assert np.ptp([image.pixelColor(x, 44).value() for x in range(88)]) > 50
    for words in ("Anna Muster", "1968-03-12", "invented-7"):
        assert words in side_words(chooser)


def test_another_patient_than_the_cases_is_warned_of(chooser: ScanChooser) -> None:
    choose(chooser, "sound")
    assert "The open case is of Berta Beispiel, the scan says Anna Muster" in side_words(chooser)


def test_keeping_it_without_identity_is_one_tick(chooser: ScanChooser, qtbot: QtBot) -> None:
    choose(chooser, "sound")
    assert chooser.answer == ScanAnswer("1.2.3.1")
    chooser.anonymous.click()
    assert chooser.answer == ScanAnswer("1.2.3.1", keep_identity=False)


def test_a_tilted_series_is_taken_only_when_its_resampling_is_asked_for(chooser: ScanChooser) -> None:
    choose(chooser, "tilted")
    assert not chooser.take.isEnabled()
    assert chooser.resample.isVisible()
    chooser.resample.click()
    assert chooser.take.isEnabled()
    assert chooser.answer == ScanAnswer("1.2.3.2", resample=True)
    assert "blurs it; the sheet will say so" in side_words(chooser)
    choose(chooser, "sound")
    assert chooser.answer == ScanAnswer("1.2.3.1")


def test_a_series_with_a_gap_cannot_be_taken(chooser: ScanChooser) -> None:
    choose(chooser, "gap")
    assert not chooser.take.isEnabled()
    assert not chooser.resample.isVisible()
    assert "export or copy the whole series again" in side_words(chooser)


def test_what_is_no_scan_is_counted(chooser: ScanChooser) -> None:
    assert chooser._left_out() == "Not part of any series: 1 x no DICOM file."


def test_a_head_shows_a_face(tmp_path: Path, qtbot: QtBot) -> None:
    folder = write_series(tmp_path / "s", picture(), PixelSpacing=[4.0, 4.0], step_mm=25.0, **WHO)
    dialog = ScanChooser(ScanQuestion(folder, look_for_series(folder)), DARK)
    qtbot.addWidget(dialog)
    assert "a face can be made from it" in side_words(dialog)
    dialog.anonymous.click()
    assert "Without a name it still shows a person" in side_words(dialog)


# ---------------------------------------------------------------- the whole way, in the real window


def answer_with(kind: type, click: str, before: Callable[[Any], None] = lambda _: None) -> None:
    """Click a button of the question that comes up next."""

    def look() -> None:
        dialog = QApplication.activeModalWidget()
        if not isinstance(dialog, kind):
            QTimer.singleShot(20, look)
            return
        before(dialog)
        button = dialog.findChild(QPushButton, click)
        assert button.isEnabled(), click
        button.click()

    QTimer.singleShot(20, look)


@pytest.fixture
def asking(window: Any, qtbot: QtBot) -> Any:
    """The window with the real questions."""
    window.case.dialogs = WindowDialogs(window.workspace)
    window.case.dialogs.parent = window
    window.show()
    qtbot.waitExposed(window)
    return window


def idle(window: Any, qtbot: QtBot) -> None:
    qtbot.waitUntil(lambda: not window.workspace.jobs.running, timeout=60000)


def test_a_scan_makes_its_case_with_its_patient_in_one_step(asking: Any, scans: Path, qtbot: QtBot) -> None:
    answer_with(ScanChooser, "scan-take", lambda dialog: choose(dialog, "sound"))
    asking.case.import_scan(scans)
    qtbot.waitUntil(lambda: asking.workspace.is_open, timeout=60000)
    plan = asking.workspace.plan
    assert plan.scan.volume.shape == (12, 40, 48)
    assert (plan.patient.name, plan.patient.birth_date) == ("Anna Muster", "1968-03-12")
    assert asking.workspace.session.undo_label == "Import scan"
    asking.undo()
    assert asking.workspace.plan.scan is None
    assert asking.workspace.plan.patient.name == ""
    idle(asking, qtbot)
    assert asking.said.problems == []


def test_without_identity_nothing_of_it_is_in_the_case(asking: Any, scans: Path, qtbot: QtBot) -> None:
    def tick(dialog: ScanChooser) -> None:
        choose(dialog, "sound")
        dialog.anonymous.click()

    answer_with(ScanChooser, "scan-take", tick)
    asking.case.import_scan(scans)
    qtbot.waitUntil(lambda: asking.workspace.is_open, timeout=60000)
    assert asking.workspace.plan.patient.name == ""
    idle(asking, qtbot)
    folder = asking.workspace.store.folder
    asking.case.close_case()
    raw = (folder / "case.db").read_bytes()
    for word in (b"Muster", b"Anna", b"1968", b"invented-7", b"1.2.3.1"):
        assert word not in raw, word


def test_resampling_stays_a_finding_of_the_plan(asking: Any, scans: Path, qtbot: QtBot) -> None:
    def tick(dialog: ScanChooser) -> None:
        choose(dialog, "tilted")
        dialog.resample.click()

    answer_with(ScanChooser, "scan-take", tick)
    asking.case.import_scan(scans)
    qtbot.waitUntil(lambda: asking.workspace.is_open, timeout=60000)
    assert "resampled" in [finding.code for finding in asking.workspace.plan.scan.findings]
    idle(asking, qtbot)


def test_saying_no_leaves_nothing(asking: Any, scans: Path, qtbot: QtBot) -> None:
    answer_with(ScanChooser, "scan-cancel")
    asking.case.import_scan(scans)
    idle(asking, qtbot)
    assert not asking.workspace.is_open
    assert not cases_folder().exists()


def test_stopping_an_import_leaves_nothing(
    asking: Any, scans: Path, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped while the scan is written into its new case, at the latest moment that can be."""
    jobs = asking.workspace.jobs
    made = import_actions.CaseStore.create

    def create(*args: Any, **kwargs: Any) -> Any:
        store = made(*args, **kwargs)
        jobs.cancel_all()
        return store

    monkeypatch.setattr(import_actions.CaseStore, "create", create)
    answer_with(ScanChooser, "scan-take", lambda dialog: choose(dialog, "sound"))
    asking.case.import_scan(scans)
    qtbot.waitUntil(lambda: jobs.running and jobs.running[0].title == "Importing the scan", timeout=60000)
    idle(asking, qtbot)
    assert not asking.workspace.is_open
    assert list(cases_folder().iterdir()) == []
    assert asking.said.problems == []


def test_a_damaged_scan_gives_its_sentence_and_no_case(asking: Any, scans: Path, qtbot: QtBot) -> None:
    for path in (scans / "a").iterdir():
        path.write_bytes(path.read_bytes()[:2000])
    answer_with(ScanChooser, "scan-take", lambda dialog: dialog.list.setCurrentRow(0) or dialog.resample.click())
    asking.case.import_scan(scans / "a")
    qtbot.waitUntil(lambda: bool(asking.said.problems), timeout=60000)
    idle(asking, qtbot)
    assert not asking.workspace.is_open
    assert "inside the program" not in asking.said.problems[0]


# ---------------------------------------------------------------- surface scans


def bad_scan(place: Path, scale: float = 1.0) -> Path:
    """A sheet of 40 mm with two holes and turned faces, as STL."""
    whole = without(without(sheet(), (12.0, 14.0), 3.0), (30.0, 27.0), 1.5)
    triangles = whole.triangles.copy()
    centres = whole.points_mm[triangles].mean(axis=1)
    turned = np.hypot(centres[:, 0] - 10.0, centres[:, 1] - 30.0) < 2.0
    triangles[turned] = triangles[turned][:, ::-1]
    write_stl(place / "bad.stl", Surface(whole.points_mm * scale, triangles, "f"))
    return place / "bad.stl"


@pytest.fixture
def surface_dialog(tmp_path: Path, qtbot: QtBot) -> SurfaceDialog:
    dialog = SurfaceDialog(look_at_surface(bad_scan(tmp_path), "surface:bad"), DARK)
    qtbot.addWidget(dialog)
    dialog.show()
    return dialog


def orange_pixels(image: QImage) -> int:
    """How many pixels have the colour of a marked edge."""
    wanted = QColor(OKABE_ORANGE).rgb()
    step = range(0, image.width(), 2)
    return sum(image.pixel(x, y) == wanted for x in step for y in step)


def test_every_faulty_place_has_a_picture_with_its_edges_marked(surface_dialog: SurfaceDialog) -> None:
    words = [surface_dialog.list.item(k).text() for k in range(surface_dialog.list.count())]
    assert [text.split("   ")[1].split(",")[0].split(":")[0] for text in words] == [
        "Faces turned inside out", "Hole", "Hole", "Outer rim",
    ]  # fmt: skip
    seen = []
    for row in range(len(words)):
        surface_dialog.list.setCurrentRow(row)
        image = surface_dialog.near._image
        assert image is not None
        assert orange_pixels(image) > 10, words[row]
        seen.append(image)
    assert seen[1] != seen[2]


def test_the_unit_is_asked_for_with_the_size_that_follows(surface_dialog: SurfaceDialog) -> None:
    assert surface_dialog.findChild(QRadioButton, "surface-unit-mm").isChecked()
    assert "40 x 40 x" in surface_dialog.findChild(QRadioButton, "surface-unit-mm").text()
    inch = surface_dialog.findChild(QRadioButton, "surface-unit-inch")
    assert "1016 x 1016" in inch.text()
    inch.click()
    surface_dialog.role.setCurrentIndex(1)
    assert surface_dialog.answer == SurfaceAnswer("inch", SurfaceRole.PROSTHESIS)
    assert surface_dialog.shares.isHidden(), "nothing is matched whose frame it could share"


def test_a_wax_up_is_proposed_to_go_with_the_matched_scan(surface_dialog: SurfaceDialog, qtbot: QtBot) -> None:
    question = evolve(surface_dialog._question, role=SurfaceRole.WAX_UP, matched="lower.stl")
    dialog = SurfaceDialog(question, surface_dialog._theme)
    qtbot.addWidget(dialog)
    unit = question.read.unit
    assert dialog.answer == SurfaceAnswer(unit, SurfaceRole.WAX_UP, shares_frame=True)
    assert "lower.stl" in dialog.shares.text()
    dialog.shares.click()
    assert dialog.answer == SurfaceAnswer(unit, SurfaceRole.WAX_UP)


def test_a_surface_scan_in_centimetres_comes_in_right(asking: Any, tmp_path: Path, qtbot: QtBot) -> None:
    from planner_core.case.session import Session

    asking.workspace.open(Session(scan_only()))
    path = bad_scan(tmp_path, 0.1)
    answer_with(SurfaceDialog, "surface-take")
    asking.case.add_surface(path)
    qtbot.waitUntil(lambda: bool(asking.workspace.plan.surfaces), timeout=60000)
    (first,) = asking.workspace.plan.surfaces.values()
    assert first.unit == "cm"
    assert np.allclose(first.surface.extent_mm[:2], 40.0, atol=1e-3)
    codes = [finding.code for finding in first.findings]
    assert "unit-guessed" not in codes
    assert {"holes", "flipped-faces"} <= set(codes)
    answer_with(
        SurfaceDialog, "surface-take", lambda dialog: dialog.findChild(QRadioButton, "surface-unit-mm").click()
    )
    asking.case.add_surface(path)
    qtbot.waitUntil(lambda: len(asking.workspace.plan.surfaces) == 2, timeout=60000)
    second = list(asking.workspace.plan.surfaces.values())[1]
    assert second.unit == "mm"
    assert np.allclose(second.surface.extent_mm[:2], 4.0, atol=1e-3)
    assert "unit-unlikely" in [finding.code for finding in second.findings]
    asking.undo()
    assert len(asking.workspace.plan.surfaces) == 1
    answer_with(SurfaceDialog, "surface-cancel")
    asking.case.add_surface(path)
    idle(asking, qtbot)
    assert len(asking.workspace.plan.surfaces) == 1


def test_a_large_scan_is_reduced_on_request_and_says_by_how_much(
    asking: Any, tmp_path: Path, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    from planner_core.case.session import Session

    monkeypatch.setattr(import_actions, "LARGE_TRIANGLES", 3000)
    monkeypatch.setattr(import_actions, "REDUCED_TRIANGLES", 2000)
    asking.workspace.open(Session(scan_only()))
    write_stl(tmp_path / "fine.stl", sheet(81, 0.5))
    seen: list[str] = []

    def tick(dialog: SurfaceDialog) -> None:
        seen.extend(child.text() for child in dialog.findChildren(type(dialog.reduce)))
        dialog.reduce.click()

    answer_with(SurfaceDialog, "surface-take", tick)
    asking.case.add_surface(tmp_path / "fine.stl")
    qtbot.waitUntil(lambda: bool(asking.workspace.plan.surfaces), timeout=60000)
    (taken,) = asking.workspace.plan.surfaces.values()
    assert len(taken.surface.triangles) <= 2000
    finding = next(f for f in taken.findings if f.code == "surface-reduced")
    assert "reduced from 12800 to" in finding.text
    assert any("Reduce it to" in text for text in seen)


def test_what_is_no_surface_gives_a_sentence(asking: Any, tmp_path: Path, qtbot: QtBot) -> None:
    from planner_core.case.session import Session

    asking.workspace.open(Session(scan_only()))
    (tmp_path / "a.stl").write_text("solid nothing")
    asking.case.add_surface(tmp_path / "a.stl")
    qtbot.waitUntil(lambda: bool(asking.said.problems), timeout=60000)
    assert "inside the program" not in asking.said.problems[0]
    assert not asking.workspace.plan.surfaces
