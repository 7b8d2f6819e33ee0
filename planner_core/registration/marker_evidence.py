"""What the surface itself says for or against a pairing of markers.

Markers of a surface scan bring the surface with them. A pairing that is right puts its points where the volume has
edges; one that came about by chance puts them anywhere. Even in a streaked mouth the two differ by far.
"""

from __future__ import annotations

import numpy as np

from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.registration.correspondence import Correspondence, told_apart
from planner_core.registration.edges import GreyField
from planner_core.registration.markers import Marker
from planner_core.registration.surface_fit import Stage, look
from planner_core.registration.surface_sample import sample_surface

LOOK = Stage(2500, 1.5, 1.2, 1)
"""Wide enough for the error of a motion by three markers."""

TELLING_SHARE = 0.15
"""Share of the surface that finds its edge from which it says something (wrong places: up to 0.13 in
tests/studies)."""

KEEPS_UP = 0.6
"""Motions whose share is less than this part of the best share are put aside (our choice)."""


def weigh_by_surface(
    found: Correspondence, moving: tuple[Marker, ...], surface: Surface, volume: Volume
) -> tuple[Correspondence, bool]:
    """Put aside the motions that carry the surface where the volume has no edges.

    Returns
    -------
    correspondence : Correspondence
        Unchanged when the surface says nothing.
    confirmed : bool
        Whether the surface speaks for the motion that is left.
    """
    if not found.motions:
        return found, False
    field = GreyField.of(volume, calibrate_grey(volume))
    sample = sample_surface(surface, count=LOOK.points)
    shares = np.array(
        [look(field, sample, motion, LOOK, np.zeros(3), None).used_share for _, motion, _ in found.motions]
    )
    best = float(shares.max())
    if best < TELLING_SHARE:
        return found, False
    kept = [motion for motion, share in zip(found.motions, shares, strict=True) if share > KEEPS_UP * best]
    places = np.array([marker.centre_mm for marker in moving])
    return told_apart(kept, places, 0), True
