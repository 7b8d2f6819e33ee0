"""Bodies as the network sees them: which are restorations, of what kind, and those too faint for a threshold."""

from __future__ import annotations

import numpy as np
from attrs import evolve
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.imaging.bodies import Restoration
from planner_core.imaging.retention import IN_A_TOOTH
from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_chance import Answer, kind_chances
from planner_core.imaging.scatter_path import Image

KIND_WORDS = ("zirconia", "metal", "filling", IN_A_TOOTH, "fixture")
"""Kinds that are told apart, in the order of the answers; porcelain counts with the core under it."""

FAINT_FROM = 0.5
"""A cell belongs to a faint restoration from this chance on (our choice)."""

LEAST_FAINT_MM3 = 4.0
"""Smallest restoration that is found by its look alone: a ball of 2 mm has 4.2 mm3 (issue's measure)."""

LEAST_HEIGHT_MM = 10.0
"""Thinner scans show too little of a tooth to tell a faint filling from enamel (our choice: a tooth has 20 mm)."""

LEAST_SURE = 0.8
"""One cell at least of a faint restoration is this certain (our choice, on simulated mouths)."""

SHARPNESS = 0.6
"""Chances of a body's kind are the mean of its cells' logarithms, which are not independent, times this (our
choice: on simulated mouths the stated share of right words is then that of the right ones)."""

CROWN_FROM_MM3, SIZE_ODDS = 200.0, 5.0
"""Fillings look smaller than this, crowns and bridges larger (on simulated mouths up to 170 and from 240 mm3, bloom
counted in); what a body's size speaks against has its chance divided by the second number (our choice)."""


def kinds_named(
    answers: NDArray[np.float16], cells: Cells, share: Image, bodies: tuple[Restoration, ...]
) -> tuple[tuple[Restoration, ...], tuple[float, ...]]:
    """Name the bodies, and give for each the chance that it is a restoration at all and not enamel.

    Parameters
    ----------
    answers : float16 array (answers, slices, rows, columns)
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    bodies : tuple of Restoration
        Those that fill `share`.
    """
    labels, middles = labelled(cells, share)
    named, sure = [], []
    for body in bodies:
        if not len(middles):
            named.append(body)
            sure.append(1.0)
            continue
        number = int(np.argmin(np.linalg.norm(middles - body.centre_lps_mm, axis=1))) + 1
        at = np.nonzero((labels == number) & (share > 0.3))
        if not len(at[0]):
            at = np.nonzero(labels == number)
        chances = kind_chances(answers[:, at[0], at[1], at[2]])
        sure.append(float(1.0 - chances[0].mean()))
        kind, confidence = _kind(chances, body.volume_mm3)
        named.append(evolve(body, kind=kind, kind_confidence=confidence))
    return tuple(named), tuple(sure)


def _kind(chances: NDArray[np.float32], volume_mm3: float) -> tuple[str, float]:
    """Give word and chance from the chances (kinds, cells) of a body's cells and from its size."""
    merged = np.array(chances[1 : 1 + len(KIND_WORDS)])
    merged[0] += chances[Answer.PORCELAIN - Answer.NATURAL]
    merged /= np.maximum(merged.sum(axis=0), 1e-6)
    score = SHARPNESS * np.log(np.maximum(merged, 1e-3)).mean(axis=1)
    unlikely = ("zirconia", "metal") if volume_mm3 < CROWN_FROM_MM3 else ("filling",)
    score[[KIND_WORDS.index(word) for word in unlikely]] -= np.log(SIZE_ODDS)
    share = np.exp(score - score.max())
    share /= share.sum()
    best = int(np.argmax(share))
    return KIND_WORDS[best], float(np.clip(share[best], 0.3, 0.98))


def faint_restorations(
    answers: NDArray[np.float16], cells: Cells, taken: NDArray[np.bool_]
) -> tuple[Restoration, ...]:
    """Find fillings and root fillings that are no denser than enamel but look like none.

    Parameters
    ----------
    answers : float16 array (answers, slices, rows, columns)
    cells : Cells
    taken : bool array
        Cells in or beside bodies that are known already.
    """
    if cells.shape[0] * cells.cell_mm < LEAST_HEIGHT_MM:
        return ()
    # Before the exact chances: natural tissue must be within reach of the strongest other kind.
    rest = answers[Answer.NATURAL + 1 :].max(axis=0)
    likely = (rest > answers[Answer.NATURAL] - np.float16(6.0)) & cells.inside
    if not likely.any():
        return ()
    at = np.nonzero(likely)
    chances = kind_chances(answers[:, at[0], at[1], at[2]])
    other, post = np.zeros(cells.shape, np.float32), np.zeros(cells.shape, np.float32)
    other[at] = 1.0 - chances[0]
    post[at] = chances[Answer.POST - Answer.NATURAL]
    apart = [part for part in _sure_parts(other, cells) if not taken[tuple(part.T)].any()]
    # A post or a root filling leads out of the crown over it: only what is one by its look counts there.
    post[taken] = 0.0
    for part in apart:
        post[tuple(part.T)] = 0.0
    found = [_faint(answers, cells, part) for part in (*apart, *_sure_parts(post, cells, _CORNERS_TOO))]
    return tuple(sorted(found, key=lambda body: -body.volume_mm3))


_CORNERS_TOO = np.ones((3, 3, 3), bool)
"""Thin root fillings hang together by the corners of cells too."""


def _sure_parts(chance: Image, cells: Cells, joined: NDArray[np.bool_] | None = None) -> list[NDArray[np.intp]]:
    """Give the cells, shape (n, 3), of each connected part that is likely, certain somewhere and large enough."""
    labels, _ = ndimage.label(chance > FAINT_FROM, structure=joined)
    parts = []
    for number, box in enumerate(ndimage.find_objects(labels), start=1):
        mine = labels[box] == number
        if float(mine.sum()) * cells.cell_mm**3 >= LEAST_FAINT_MM3 and float(chance[box][mine].max()) >= LEAST_SURE:
            parts.append(np.argwhere(mine) + [s.start for s in box])
    return parts


def _faint(answers: NDArray[np.float16], cells: Cells, index: NDArray[np.intp]) -> Restoration:
    """Measure and name what fills these cells."""
    volume = len(index) * cells.cell_mm**3
    kind, confidence = _kind(kind_chances(answers[:, index[:, 0], index[:, 1], index[:, 2]]), volume)
    places = index @ cells.lps_from_cell[:3, :3].T + cells.lps_from_cell[:3, 3]
    extent = np.ptp(places, axis=0) + cells.cell_mm
    return Restoration(places.mean(axis=0), volume, extent, False, kind, confidence)


def labelled(cells: Cells, share: Image) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Give connected bodies (from 1) and the middle of each in LPS."""
    labels, count = ndimage.label(share > 0, structure=np.ones((3, 3, 3)))
    middles = np.array(ndimage.center_of_mass(share, labels, np.arange(1, count + 1))).reshape(-1, 3)
    return labels, middles @ cells.lps_from_cell[:3, :3].T + cells.lps_from_cell[:3, 3]
