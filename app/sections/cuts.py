"""Lines in which a section cuts bodies, kept for as long as section and body stay the same."""

from __future__ import annotations

import numpy as np
from attrs import define, field
from PySide6.QtCore import QLineF, QPointF
from PySide6.QtGui import QPainterPath

from app.shapes import Mesh, cut
from planner_core.anatomy.sections import SectionFrame
from planner_core.geometry.frames import FloatArray

JOIN_PX = 0.05
"""Ends of pieces within about this of each other are one point (our choice: far below a pixel)."""


@define
class _Kept:
    mesh: Mesh
    """Held, so that no other body takes its identity."""
    pieces_xy: FloatArray
    lines: list[QLineF]
    paths: list[QPainterPath] | None = None
    used: bool = True


@define
class Cuts:
    """The cuts of one view; what one painting did not ask for is forgotten by the next.

    While something is dragged its view stands still, and so do most bodies: only what moves is cut again.
    """

    _frame: SectionFrame | None = None
    _kept: dict[int, _Kept] = field(factory=dict)

    def begin(self, frame: SectionFrame) -> None:
        """Begin a painting in `frame`."""
        if frame is not self._frame:
            self._frame = frame
            self._kept = {}
        self._kept = {key: kept for key, kept in self._kept.items() if kept.used}
        for kept in self._kept.values():
            kept.used = False

    def lines(self, mesh: Mesh) -> list[QLineF]:
        """Give the screen lines in which the section cuts a body."""
        return self._of(mesh).lines

    def paths(self, mesh: Mesh) -> list[QPainterPath]:
        """Give the same lines joined end to end, so that dashes run on across them."""
        kept = self._of(mesh)
        if kept.paths is None:
            kept.paths = [path_of(chain) for chain in chains(kept.pieces_xy)]
        return kept.paths

    def _of(self, mesh: Mesh) -> _Kept:
        assert self._frame is not None
        kept = self._kept.get(id(mesh))
        if kept is None:
            pieces = screen_pieces(mesh, self._frame)
            kept = self._kept[id(mesh)] = _Kept(mesh, pieces, lines_of(pieces))
        kept.used = True
        return kept


def screen_pieces(mesh: Mesh, frame: SectionFrame) -> FloatArray:
    """Give the straight pieces in which the section cuts a mesh, as screen points (x, y) of shape (n, 2, 2)."""
    pieces = cut(mesh, frame.origin_lps_mm, frame.normal_lps)
    if not len(pieces):
        return np.empty((0, 2, 2))
    found = frame.to_pixel(pieces.reshape(-1, 3))
    return np.asarray((found[:, 1::-1] + 0.5).reshape(-1, 2, 2))


def lines_of(pieces_xy: FloatArray) -> list[QLineF]:
    """Give Qt lines from screen pieces of shape (n, 2, 2)."""
    return [QLineF(a, b, c, d) for a, b, c, d in pieces_xy.reshape(-1, 4).tolist()]


def path_of(points_xy: FloatArray) -> QPainterPath:
    """Give a Qt path through screen points of shape (n, 2)."""
    (x, y), *others = points_xy.tolist()
    path = QPainterPath(QPointF(x, y))
    for x, y in others:
        path.lineTo(x, y)
    return path


def chains(pieces_xy: FloatArray) -> list[FloatArray]:
    """Join pieces of shape (n, 2, 2) end to end into chains of points (k, 2); a closed one ends where it began."""
    if not len(pieces_xy):
        return []
    spots = np.rint(pieces_xy.reshape(-1, 2) / JOIN_PX)
    _, joined = np.unique(spots[:, 0] + 1j * spots[:, 1], return_inverse=True)
    ends: list[list[int]] = joined.reshape(-1, 2).tolist()
    at: list[list[int]] = [[] for _ in range(int(joined.max()) + 1)]
    for k, (a, b) in enumerate(ends):
        at[a].append(k)
        at[b].append(k)
    points = pieces_xy.reshape(-1, 2)
    found, taken = [], [False] * len(ends)
    # Open chains first, from their ends; what is left then is closed.
    loose = [pieces[0] for pieces in at if len(pieces) == 1]
    open_ends = set(loose)
    for start in (*loose, *range(len(ends))):
        if taken[start]:
            continue
        first = 0 if len(at[ends[start][0]]) == 1 or start not in open_ends else 1
        found.append(points[_walk(start, first, ends, at, taken)])
    return found


def _walk(piece: int, first: int, ends: list[list[int]], at: list[list[int]], taken: list[bool]) -> list[int]:
    """Give the rows of the points along a chain, from end `first` of a piece on; what is used is marked taken."""
    rows = [2 * piece + first]
    while True:
        taken[piece] = True
        rows.append(2 * piece + 1 - first)
        spot = ends[piece][1 - first]
        following = next((k for k in at[spot] if not taken[k]), None)
        if following is None:
            return rows
        piece, first = following, 0 if ends[following][0] == spot else 1
