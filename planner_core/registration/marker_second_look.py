"""A second look for markers that the surface scan shows and the volume did not give up at first.

Once some markers are paired it is known where the others must lie, and how large they are. A ball on ceramic merges
with it in the volume, so that only its free side shows; knowing its place, that side may be enough.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.registration.edges import GreyField
from planner_core.registration.markers import Marker, measure_ball, streak_covariances
from planner_core.registration.match import Match
from planner_core.registration.surface_fit import Degradation

LEAST_SIDE = 0.3
"""Share of the rays that must end on the ball in the second look (our choice: a ball half sunk into ceramic shows
half, less what touches)."""

BLOOMED = 1.15
"""Balls look this much larger in a volume than on the surface (1.1 to 1.25 in tests/studies)."""

RADIUS_APART_MM = 0.3
"""A ball of another size than expected is another body, mm (our choice)."""

NEAR_MM = 0.5
"""A ball is the one expected if it lies within this and three of its stated errors, mm (our choice)."""

PARTLY_SEEN_MM = 0.10
"""RMS 3-D error added to a centre that was only found by the second look, mm: what merges with it pulls at it (our
choice: about a third of a voxel)."""


@frozen(eq=False)
class SecondLook:
    """What was found.

    Attributes
    ----------
    found : tuple of (int, Marker)
        Index of the marker in the surface scan, and the marker in the volume.
    unseen, outside : tuple of int
        Markers of the surface scan that cannot be seen in the volume, and those that lie outside of it.
    """

    found: tuple[tuple[int, Marker], ...]
    unseen: tuple[int, ...]
    outside: tuple[int, ...]

    @property
    def findings(self) -> list[Finding]:
        """What to say about markers that stay unseen."""
        said = []
        if self.unseen:
            said.append(
                Finding(
                    Severity.NOTE,
                    "marker-not-seen",
                    f"Not seen in the volume: {len(self.unseen)} of the markers of the surface scan. On ceramic or "
                    "metal a marker cannot always be told from it. Put markers on mucosa or natural teeth.",
                )
            )
        if self.outside:
            said.append(
                Finding(
                    Severity.NOTE,
                    "marker-outside",
                    f"Outside the volume: {len(self.outside)} of the markers of the surface scan. A larger field "
                    "of view would show them.",
                )
            )
        return said


def second_look(
    volume: Volume,
    field_: GreyField,
    match: Match,
    moving: Sequence[Marker],
    wanted: Sequence[int],
    degradation: Degradation | None = None,
) -> SecondLook:
    """Look for the markers `wanted` (indices into `moving`) where a match expects them in the volume."""
    found: list[tuple[int, Marker]] = []
    unseen, outside = [], []
    for i in wanted:
        place = match.lps_from_surface.apply(moving[i].centre_mm)
        index = volume.to_index(place)
        margin = 1.5 * moving[i].radius_mm / np.array(volume.spacing_mm)
        if (index < margin).any() or (index > np.array(volume.shape) - 1 - margin).any():
            outside.append(i)
            continue
        marker = measure_ball(field_, place, BLOOMED * moving[i].radius_mm, volume, LEAST_SIDE)
        if marker is None or not _expected(marker, moving[i], place, match):
            unseen.append(i)
            continue
        extra = PARTLY_SEEN_MM**2 / 3.0 * np.eye(3)
        if degradation is not None:
            extra = extra + streak_covariances(place, degradation)[0]
        found.append((i, evolve(marker, covariance_mm2=marker.covariance_mm2 + extra)))
    return SecondLook(tuple(found), tuple(unseen), tuple(outside))


def _expected(marker: Marker, wanted: Marker, place: np.ndarray, match: Match) -> bool:
    off = float(np.linalg.norm(marker.centre_mm - place))
    reach = NEAR_MM + 3.0 * match.expected_rms_mm(place)
    return off < reach and abs(marker.radius_mm - BLOOMED * wanted.radius_mm) < RADIUS_APART_MM
