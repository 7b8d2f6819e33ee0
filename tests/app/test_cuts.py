"""Pieces of a cut join to whole outlines, and a view keeps what did not move."""

from __future__ import annotations

import numpy as np
import pytest
from PySide6.QtGui import QImage, QPainter
from pytestqt.qtbot import QtBot

from app.sections import marks
from app.sections.cuts import Cuts, chains, path_of
from app.shapes import Mesh
from app.theme import DARK
from planner_core.anatomy.sections import SectionFrame


def ring(count: int, radius: float, middle: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    turn = np.linspace(0.0, 2.0 * np.pi, count + 1)
    points = np.stack([np.cos(turn), np.sin(turn)], axis=1) * radius + middle
    return np.stack([points[:-1], points[1:]], axis=1)


def shuffled(pieces: np.ndarray, seed: int) -> np.ndarray:
    """Turn half of the pieces round and mix them, as a cut gives them."""
    rng = np.random.default_rng(seed)
    flip = rng.random(len(pieces)) < 0.5
    turned = np.where(flip[:, None, None], pieces[:, ::-1], pieces)
    return turned[rng.permutation(len(pieces))]


def length(points: np.ndarray) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


@pytest.mark.parametrize("seed", range(5))
def test_two_rings_come_back_as_two_closed_chains(seed: int) -> None:
    pieces = shuffled(np.concatenate([ring(40, 30.0), ring(25, 12.0, (80.0, 5.0))]), seed)
    found = sorted(chains(pieces), key=len)
    assert [len(chain) for chain in found] == [26, 41]
    for chain, radius in zip(found, (12.0, 30.0), strict=True):
        assert chain[0] == pytest.approx(chain[-1], abs=0.05)
        # The perimeter of a regular polygon.
        count = len(chain) - 1
        assert length(chain) == pytest.approx(2 * count * radius * np.sin(np.pi / count), rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_an_open_line_is_one_chain_from_end_to_end(seed: int) -> None:
    pieces = shuffled(ring(40, 30.0)[:-7], seed)
    (chain,) = chains(pieces)
    assert len(chain) == 34
    ends = {tuple(np.round(end, 3)) for end in (chain[0], chain[-1])}
    whole = ring(40, 30.0)
    assert ends == {tuple(np.round(whole[0, 0], 3)), tuple(np.round(whole[-7, 0], 3))}


def test_nothing_cut_is_no_chain() -> None:
    assert chains(np.empty((0, 2, 2))) == []


def test_a_path_goes_through_its_points() -> None:
    path = path_of(np.array([[1.0, 2.0], [4.0, 6.0], [4.0, 10.0]]))
    assert path.length() == pytest.approx(9.0)


def sheet(height: float) -> Mesh:
    corners = np.array([[-5.0, -5.0, height], [5.0, -5.0, height], [5.0, 5.0, height + 1], [-5.0, 5.0, height + 1]])
    return Mesh(corners, np.array([[0, 1, 2], [0, 2, 3]], np.int32))


def frame() -> SectionFrame:
    return SectionFrame(np.zeros(3), np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0]), 20.0, 20.0, 0.2)


def test_a_view_keeps_what_did_not_move_and_forgets_what_is_gone() -> None:
    cuts, plane, still, moving = Cuts(), frame(), sheet(-0.5), sheet(-0.4)
    cuts.begin(plane)
    first, gone = cuts.lines(still), cuts.lines(moving)
    assert len(first) == len(gone) == 2
    cuts.begin(plane)
    assert cuts.lines(still) is first
    cuts.begin(plane)
    assert cuts.lines(moving) is not gone
    cuts.begin(frame())
    assert cuts.lines(still) is not first


def test_words_do_not_cover_each_other(qtbot: QtBot) -> None:
    """Two clearances measured at nearly the same place must both be readable."""
    image = QImage(400, 300, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    work = marks.Brushwork(
        painter, SectionFrame(np.zeros(3), [1.0, 0, 0], [0, 1.0, 0], 80.0, 60.0, 0.2), DARK, Cuts()
    )
    for text, y in (("3.7 mm", 150.0), ("drill 1.7 mm", 153.0), ("1.5", 149.0), ("low", 299.0), ("lower", 299.0)):
        marks.tag(work, text, 200.0, y, apart=True)
    painter.end()
    for k, box in enumerate(work.tags):
        assert image.rect().contains(box.toAlignedRect())
        assert not any(box.intersects(other) for other in work.tags[:k])
