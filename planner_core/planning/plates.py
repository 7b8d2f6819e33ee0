"""Bone beside and over a fixture: plates at several depths, crest depth, depth under the planned gingiva."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike

from planner_core.geometry.frames import FloatArray, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.crowns import PlannedTooth
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.rays import crossing_part, hits_mm

PLATE_DEPTHS_MM = (0.5, 2.0, 4.0, 6.0)
"""Depths below the platform, mm: 0.5 as Spray et al. 2000, the others as Merheb et al. 2017 (S)."""

PLATE_WANTED_MM = 1.8
"""Plate at which Spray et al. 2000 saw no loss any more, mm (Ann Periodontol 5:119, S)."""

PLATE_LEAST_MM = 1.5
"""Plate that kept loss least in beagles, mm (Monje et al. 2019, S); no minimum was verified in people (Albeshri and
Greenstein 2021, S): a warning, never a block."""

NOT_MEASURABLE_VOXELS = 2.0
"""A wall thinner than this many voxels cannot be told from none (FACTS.md section 3)."""


@frozen(eq=False)
class Plate:
    """Bone beside a fixture at one depth and side.

    Parameters
    ----------
    thickness_mm : float
        From the fixture's surface outwards to the bone's; negative where the fixture stands out of the bone.
    text : str
        What the number means against the published ones.
    sigma_mm : float or None
        How well the bone's surface is known along its normal (standard deviation); None when that is not known. The
        fixture's own place is planned and adds nothing.
    fixture_point_lps_mm, bone_point_lps_mm : array of shape (3,) or None
        Ends of what was measured; None where the fixture stands out of the bone.
    """

    side: str
    depth_mm: float
    thickness_mm: float
    text: str
    sigma_mm: float | None = None
    fixture_point_lps_mm: FloatArray | None = None
    bone_point_lps_mm: FloatArray | None = None


def across_axis(fixture: PlacedFixture, direction_lps: ArrayLike) -> FloatArray:
    """Give a direction made square to the fixture's axis, unit, shape (3,)."""
    direction = np.asarray(direction_lps, dtype=np.float64)
    return unit(direction - float(direction @ fixture.pose.axis_lps) * fixture.pose.axis_lps)


def plates(
    fixture: PlacedFixture,
    bone: Surface,
    facial_lps: ArrayLike,
    *,
    depths_mm: Sequence[float] = PLATE_DEPTHS_MM,
    voxel_mm: float | None = None,
    sigma_mm: float | None = None,
) -> tuple[Plate, ...]:
    """Measure the facial and the lingual plate at several depths, straight out from the fixture's axis.

    Parameters
    ----------
    facial_lps : array of shape (3,)
        Towards cheek or lip at this site.
    voxel_mm : float or None
        Of the scan: thinner walls than two voxels are called not measurable.
    sigma_mm : float or None
        Standard deviation of the bone's surface along its normal.
    """
    pose, shape = fixture.pose, fixture.shape
    facial = across_axis(fixture, facial_lps)
    near = crossing_part(bone, pose.platform_lps_mm, np.cross(pose.axis_lps, facial))
    found = []
    for side, direction in (("facial", facial), ("lingual", -facial)):
        for depth in depths_mm:
            if depth > shape.length_mm or not len(near.triangles):
                continue
            radius = float(np.interp(depth, shape.profile_mm[:, 0], shape.profile_mm[:, 1]))
            met = hits_mm(near, pose.at_depth(depth), direction)
            ahead = met[met > 0.0]
            # An odd number of walls ahead: the axis itself lies inside the bone.
            inside = len(ahead) % 2 == 1
            thickness = float(ahead[0]) - radius if inside else -radius
            middle = pose.at_depth(depth)
            ends = (middle + radius * direction, middle + float(ahead[0]) * direction) if inside else (None, None)
            found.append(Plate(side, depth, thickness, _plate_text(thickness, voxel_mm), sigma_mm, *ends))
    return tuple(found)


def _plate_text(thickness: float, voxel_mm: float | None) -> str:
    if thickness <= 0.0:
        return "the fixture stands out of the bone here"
    if voxel_mm is not None and thickness < NOT_MEASURABLE_VOXELS * voxel_mm:
        return "not measurable in this scan, which is not the same as absent"
    if thickness < PLATE_LEAST_MM:
        return "thinner than 1.5 mm: more loss to be expected (Monje 2019); no minimum was verified"
    if thickness < PLATE_WANTED_MM:
        return "between 1.5 and 1.8 mm"
    return "1.8 mm or more: no loss on average (Spray 2000)"


def crest_depth_mm(fixture: PlacedFixture, bone: Surface) -> float | None:
    """Give how deep the platform's middle lies under the crest along the axis, mm; negative when above it."""
    pose = fixture.pose
    near = crossing_part(bone, pose.platform_lps_mm, pose.side_lps())
    met = hits_mm(near, pose.platform_lps_mm, -pose.axis_lps)
    met = met[np.abs(met) < 15.0]
    if not len(met):
        return None
    above = met[met > 0.0]
    return float(above.min()) if len(above) else float(met.max())


def depth_under_margin_mm(fixture: PlacedFixture, tooth: PlannedTooth) -> float:
    """Give how deep the platform lies under the planned gingival margin, along the crown's axis, mm."""
    return float((tooth.cervical_lps_mm - fixture.pose.platform_lps_mm) @ tooth.occlusal_lps)
