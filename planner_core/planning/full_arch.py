"""Full arch: spread and cantilever, divergence, common path of insertion, space for the prosthesis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, angle_between_deg, unit
from planner_core.planning.fixture import PlacedFixture

CANTILEVER_FACTOR = 1.5
"""Cantilever over spread (English 1990, concept; teaching page, S2; quoted from 1.5 to 2.5)."""

CANTILEVER_CAP_MM = 20.0
"""Longest cantilever, mm, and at most two units (European consensus page, S)."""

CANTILEVER_CAUTION = (
    "The rule of the spread was never validated prospectively and the relation is not linear "
    "(Walter and Greenstein 2020, J Am Dent Assoc 151:790)."
)

ABUTMENT_LIMIT_DEG = 3.0
"""Angle between abutments that a common path of insertion still bears (our choice)."""

SPACE_NEEDED_MM: Mapping[str, tuple[float, float]] = {
    "single crown, screw-retained on the fixture": (4.0, 5.0),
    "screw-retained on abutments": (7.5, 7.5),
    "cemented": (7.0, 8.0),
    "overdenture on single attachments": (7.0, 7.0),
    "overdenture on a bar": (11.0, 11.0),
    "hybrid of acrylic and metal": (15.0, 15.0),
    "monolithic zirconia": (10.0, 14.0),
}
"""Space from platform to occlusal plane, mm, least and usual (Carpentieri, Greenstein, Cavallaro 2019, J Am Dent
Assoc, S; monolithic zirconia from teaching pages, S2). Bands, not constants."""


@frozen
class Spread:
    """Front-to-rear spread of the fixtures and the cantilever that the rule of thumb allows."""

    spread_mm: float
    cantilever_mm: float
    capped: bool
    caution: str = CANTILEVER_CAUTION


def spread_of(fixtures: Sequence[PlacedFixture], forward_lps: ArrayLike) -> Spread:
    """Give the spread from the line through the front fixture's centre to that through the rear ones' distal edges.

    Parameters
    ----------
    forward_lps : array of shape (3,)
        Towards the front of the arch (LPS: about -y).

    Raises
    ------
    PlannerError
        With fewer than three fixtures.
    """
    if len(fixtures) < 3:
        raise PlannerError("A spread needs at least three fixtures.", "Place more fixtures.")
    forward = unit(forward_lps)
    along = np.array([float(f.pose.platform_lps_mm @ forward) for f in fixtures])
    radius = np.array([f.shape.platform_diameter_mm / 2.0 for f in fixtures])
    across = np.array([float(f.pose.platform_lps_mm @ np.cross(forward, [0.0, 0.0, 1.0])) for f in fixtures])
    middle = float(np.median(across))
    rear = []
    for side in (across < middle, across >= middle):
        if side.any():
            k = np.flatnonzero(side)[int(np.argmin(along[side]))]
            rear.append(along[k] - radius[k])
    spread = float(along.max() - np.mean(rear))
    allowed = CANTILEVER_FACTOR * max(spread, 0.0)
    return Spread(spread, min(allowed, CANTILEVER_CAP_MM), allowed > CANTILEVER_CAP_MM)


def divergences_deg(fixtures: Mapping[str, PlacedFixture]) -> Mapping[tuple[str, str], float]:
    """Give the angle between every two fixtures."""
    sites = list(fixtures)
    return {
        (a, b): angle_between_deg(fixtures[a].pose.axis_lps, fixtures[b].pose.axis_lps)
        for i, a in enumerate(sites)
        for b in sites[i + 1 :]
    }


def common_path(fixtures: Mapping[str, PlacedFixture]) -> FloatArray:
    """Give the path of insertion whose largest angle to any fixture is least (unit vector towards the jaw)."""
    axes = np.array([f.pose.axis_lps for f in fixtures.values()])
    if not len(axes):
        raise PlannerError("There are no fixtures.", "Place fixtures first.")
    # The smallest cap over some directions rests on two or three of them, so every such cap is tried.
    tried = [axes]
    if len(axes) >= 2:
        i, j = np.triu_indices(len(axes), 1)
        tried.append(axes[i] + axes[j])
    if len(axes) >= 3:
        a, b, c = axes[np.array(list(combinations(range(len(axes)), 3)))].transpose(1, 0, 2)
        across = np.cross(b - a, c - a)
        tried.append(across * np.sign(np.einsum("ij,ij->i", across, a))[:, None])
    every = np.vstack(tried)
    size = np.linalg.norm(every, axis=1)
    every = every[size > 1e-9] / size[size > 1e-9, None]
    return unit(every[int(np.argmax((every @ axes.T).min(axis=1)))])


@frozen
class Space:
    """Space over a platform against what a kind of prosthesis needs."""

    site: str
    available_mm: float
    needed_mm: float
    usual_mm: float

    @property
    def lacking_mm(self) -> float:
        """Bone to be taken off here, mm: what is needed less what there is, never below zero."""
        return max(0.0, self.needed_mm - self.available_mm)


def space_over(
    fixtures: Mapping[str, PlacedFixture],
    plane_point_lps_mm: ArrayLike,
    plane_normal_lps: ArrayLike,
    prosthesis: str,
) -> tuple[Space, ...]:
    """Give the space from every platform to the occlusal plane.

    Parameters
    ----------
    plane_normal_lps : array of shape (3,)
        Towards the opposing teeth.
    prosthesis : str
        A key of `SPACE_NEEDED_MM`.
    """
    if prosthesis not in SPACE_NEEDED_MM:
        raise PlannerError(f"No space is known for {prosthesis!r}.", f"Known: {', '.join(SPACE_NEEDED_MM)}.")
    least, usual = SPACE_NEEDED_MM[prosthesis]
    point, normal = np.asarray(plane_point_lps_mm, dtype=np.float64), unit(plane_normal_lps)
    return tuple(
        Space(site, float((point - f.pose.platform_lps_mm) @ normal), least, usual) for site, f in fixtures.items()
    )
