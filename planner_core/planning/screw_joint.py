"""Torque and preload of an abutment screw, as information with its source; no advice on torque.

``T = F (P / 2 pi + mu_t r_t / cos beta + mu_n r_n)`` (Motosh's form; Burguete et al. 1994, J Prosthet Dent 71:692;
formula M). With one friction and one geometry sum: ``T = F (P / 2 pi + mu G)``.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError

PITCH_MM = 0.35
"""Pitch assumed for the published pairs, mm (C: with it both give the same geometry sum within 1 %)."""

GEOMETRY_SUM_MM = 2.12
"""Geometry sum of the published screw, mm (C from Wentaschek et al. 2023, Int J Implant Dent)."""

FLANK_ANGLE_DEG = 30.0
"""Half angle of a metric thread (ISO 68-1; M)."""

REUSE_LOSS = {"uncoated titanium": 0.38, "coated": 0.23}
"""Share of the preload lost after ten tightenings (Wentaschek et al. 2017, Int J Prosthodont 30:542; 2023; S)."""

REUSE_TIGHTENINGS = 10

SETTLING_LOSS = ((0.0, 0.250, 0.235), (15.0, 0.255, 0.334), (25.0, 0.259, 0.401))
"""Abutment angle (degrees), share of the torque lost at first and after 100,000 cycles at 130 N
(Int J Implant Dent 2018, s40729-018-0149-z; S)."""

NO_LOCK_NOTE = (
    "A connection that cannot lock against turning leaves the whole turning load to the friction of the screw; "
    "it loosens sooner (from memory, no number)."
)

CAUTION = "The maker's torque comes first. ISO 14801 tests give no life in the mouth."


@frozen
class ScrewJoint:
    """One tightening.

    Parameters
    ----------
    preload_n : float
        Clamping force.
    stretching_share : float
        Share of the torque that stretches the screw (the rest is friction).
    """

    torque_n_mm: float
    friction: float
    preload_n: float
    stretching_share: float


def geometry_sum_mm(
    thread_radius_mm: float, head_radius_mm: float, flank_angle_deg: float = FLANK_ANGLE_DEG
) -> float:
    """Give G = r_t / cos(beta) + r_n for equal friction in thread and under the head, mm."""
    if thread_radius_mm <= 0 or head_radius_mm <= 0:
        raise PlannerError("A screw needs radii above zero.", "Correct its sizes.")
    return float(thread_radius_mm / np.cos(np.radians(flank_angle_deg)) + head_radius_mm)


def torque_n_mm(
    preload_n: float, friction: float, pitch_mm: float = PITCH_MM, geometry_mm: float = GEOMETRY_SUM_MM
) -> float:
    """Give the torque for a preload, N mm."""
    return float(preload_n * (pitch_mm / (2.0 * np.pi) + friction * geometry_mm))


def tighten(
    torque: float, friction: float, pitch_mm: float = PITCH_MM, geometry_mm: float = GEOMETRY_SUM_MM
) -> ScrewJoint:
    """Give the preload of a torque (N mm).

    Raises
    ------
    PlannerError
        If torque or friction is not above zero.
    """
    if torque <= 0 or friction <= 0 or pitch_mm <= 0 or geometry_mm <= 0:
        raise PlannerError("Torque, friction, pitch and geometry must be above zero.", "Correct them.")
    lead = pitch_mm / (2.0 * np.pi)
    preload = torque / (lead + friction * geometry_mm)
    return ScrewJoint(torque, friction, float(preload), float(preload * lead / torque))


def after_reuse_n(preload_n: float, screw: str, tightenings: int) -> float:
    """Give the preload after repeated tightening: a straight line to the published loss at ten, held beyond.

    Raises
    ------
    PlannerError
        If nothing is published for this kind of screw.
    """
    if screw not in REUSE_LOSS:
        raise PlannerError(f"Nothing is published for a screw of {screw!r}.", f"Known: {', '.join(REUSE_LOSS)}.")
    share = min(max(tightenings - 1, 0) / (REUSE_TIGHTENINGS - 1), 1.0)
    return preload_n * (1.0 - REUSE_LOSS[screw] * share)


def torque_left(angle_deg: float) -> tuple[float, float]:
    """Give the shares of torque left at first and after 100,000 cycles for an angled abutment (0 to 25 degrees).

    Raises
    ------
    PlannerError
        Beyond what was measured.
    """
    angles = [row[0] for row in SETTLING_LOSS]
    if not angles[0] <= angle_deg <= angles[-1]:
        raise PlannerError(f"Nothing was measured at {angle_deg:g} degrees.", "The study ends at 25 degrees.")
    first, later = (float(np.interp(angle_deg, angles, [row[k] for row in SETTLING_LOSS])) for k in (1, 2))
    return 1.0 - first, 1.0 - later
