"""Drift of later, unguided drills after a guided pilot, from the density round the bore.

A wider drill meets more resistance on its denser side and gives way towards the softer one. Lateral force balance:
the drill moves by the part of its growth in radius that the imbalance of density over the ring asks for. That the
law holds, and its factor, are our choice; the trade only says that after a 2.0 mm pilot alone the later drills
drift (common practice, no source, unmeasured). The published differences stand beside it.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.ndimage import map_coordinates

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.published import GUIDANCE_EXTRA, PoseSpread

DRIFT_FACTOR = 1.0
"""Share of the growth in radius that a wholly one-sided resistance drives away (our choice)."""

DRIFT_DOUBT = 0.5
"""Spread of the drift over its size (our choice)."""

DIRECTIONS, RINGS, DEPTH_STEP_MM = 24, 3, 0.5
FLOOR_SHARE = 0.1
"""Resistance of marrow over that of cortex, so that an empty ring drives nothing (our choice)."""


@frozen(eq=False)
class PilotDrift:
    """Where later drills drift, and what that adds to the budget.

    Parameters
    ----------
    entry_lps_mm, apex_lps_mm : array of shape (3,)
        Mean drift at platform and apex.
    tilt_deg : float
    imbalance : float
        Largest imbalance of density along the bore, 0..1.
    spread : PoseSpread
        For `GuideInputs.pilot_drift`: as large on average as the drift itself, on all sides.
    published : PoseSpread
        The published difference of pilot-only to full guidance, beside it.
    """

    entry_lps_mm: FloatArray
    apex_lps_mm: FloatArray
    tilt_deg: float
    imbalance: float
    spread: PoseSpread
    published: PoseSpread
    text: str


@frozen
class DriftComparison:
    """A site drilled with a guided pilot alone, by the published differences and by the density round its bore."""

    drift: PilotDrift
    published_chance: float
    published_apex_p95_mm: float
    density_chance: float
    density_apex_p95_mm: float


def resistance_of_ring(
    volume: Volume,
    fixture: PlacedFixture,
    pilot_diameter_mm: float,
    soft_grey: float,
    bone_grey: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sample the ring that the later drills cut.

    Parameters
    ----------
    soft_grey, bone_grey : float
        Grey values of soft tissue and of this jaw's own cortex (`imaging.grey_scale`); not HU.

    Returns
    -------
    depths (k,) mm below the platform, directions (d, 3) across the axis, resistance (k, d) in 0..1
    """
    if bone_grey <= soft_grey:
        raise PlannerError("The jaw's cortex is not brighter than its soft tissue.", "Calibrate the grey values.")
    pose = fixture.pose
    axis, side = pose.axis_lps, pose.side_lps()
    turn = np.arange(DIRECTIONS) * 2.0 * np.pi / DIRECTIONS
    out = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(axis, side)
    depths = np.arange(0.5, fixture.shape.length_mm, DEPTH_STEP_MM)
    final = np.interp(depths, fixture.shape.profile_mm[:, 0], fixture.shape.profile_mm[:, 1])
    shares = (np.arange(RINGS) + 0.5) / RINGS
    pilot = pilot_diameter_mm / 2.0
    radii = pilot + np.maximum(final - pilot, 0.2)[:, None] * shares
    centres = pose.platform_lps_mm + depths[:, None] * axis
    points = centres[:, None, None, :] + radii[:, :, None, None] * out[None, None, :, :]
    index = volume.to_index(points.reshape(-1, 3)).T
    stored = map_coordinates(volume.stored, index, output=np.float32, order=1, mode="nearest")
    grey = stored.reshape(points.shape[:-1]) * volume.scale + volume.offset
    relative = np.clip((grey - soft_grey) / (bone_grey - soft_grey), 0.0, 1.0)
    return depths, out, np.asarray(FLOOR_SHARE + (1.0 - FLOOR_SHARE) * relative.mean(axis=1))


def drift_from_resistance(
    depths_mm: FloatArray,
    directions_lps: FloatArray,
    resistance: FloatArray,
    growth_mm: float,
    length_mm: float,
) -> PilotDrift:
    """Give the drift of a bore that grows in radius by `growth_mm`, from the resistance round it.

    Parameters
    ----------
    resistance : array of shape (k, d)
        By depth and direction, above zero.
    """
    imbalance = 2.0 * (resistance @ directions_lps) / resistance.sum(axis=1, keepdims=True)
    pushed = -DRIFT_FACTOR * growth_mm * imbalance
    design = np.stack([1.0 - depths_mm / length_mm, depths_mm / length_mm], axis=1)
    (entry, apex), *_ = np.linalg.lstsq(design, pushed, rcond=None)
    tilt = float(np.degrees(np.arctan2(np.linalg.norm(apex - entry), length_mm)))
    reach = float(np.hypot(1.0, DRIFT_DOUBT)) / np.sqrt(2.0)
    middle = (entry + apex) / 2.0
    spread = PoseSpread(float(np.linalg.norm(middle)) * reach, tilt * reach, length_mm / 2.0)
    largest = float(np.linalg.norm(imbalance, axis=1).max(initial=0.0))
    text = (
        f"Drift by density: {np.linalg.norm(entry):.2f} mm at the platform, {np.linalg.norm(apex):.2f} mm at the "
        f"apex, {tilt:.1f} degrees towards the softer side. The law is our assumption, never measured."
    )
    from planner_core.planning.drilling import Guidance

    return PilotDrift(entry, apex, tilt, largest, spread, GUIDANCE_EXTRA[Guidance.PILOT], text)


def pilot_drift(
    volume: Volume,
    fixture: PlacedFixture,
    *,
    pilot_diameter_mm: float = 2.0,
    soft_grey: float,
    bone_grey: float,
) -> PilotDrift:
    """Give the drift of the later drills at a site from the scan's own grey values."""
    depths, out, resistance = resistance_of_ring(volume, fixture, pilot_diameter_mm, soft_grey, bone_grey)
    growth = max(fixture.shape.diameter_mm - pilot_diameter_mm, 0.0) / 2.0
    return drift_from_resistance(depths, out, resistance, growth, fixture.shape.length_mm)
