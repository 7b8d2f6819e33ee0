"""Published accuracy of guided surgery, and the terms of the error model that were fitted to it.

Planned against achieved, means of clinical series unless said otherwise. The figures contain everything that moves
the drill and nothing of how well an obstacle is seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from attrs import frozen

from planner_core.planning.drilling import Guidance


@frozen
class PoseSpread:
    """A spread about the planned axis that is alike on all sides.

    Parameters
    ----------
    shift_sigma_mm : float
        Standard deviation per axis of the shift of the pivot.
    tilt_sigma_deg : float
        Standard deviation of the tilt about each of the two axes across the fixture.
    pivot_mm : float
        Depth of the pivot below the platform.
    depth_mean_mm : float
        Bias along the axis, + deeper.
    """

    shift_sigma_mm: float
    tilt_sigma_deg: float
    pivot_mm: float = 0.0
    depth_mean_mm: float = 0.0


@frozen
class Series:
    """Means of a published series with their 95 % confidence limits, where given."""

    name: str
    source: str
    mark: str
    entry_mm: float | None = None
    apex_mm: float | None = None
    angle_deg: float | None = None
    entry_limits_mm: tuple[float, float] | None = None
    apex_limits_mm: tuple[float, float] | None = None
    angle_limits_deg: tuple[float, float] | None = None


TAHMASEB_2018 = Series(
    "Tahmaseb 2018",
    "Tahmaseb et al. 2018, Clin Oral Implants Res 29(S16), doi 10.1111/clr.13346; 20 studies, 2,238 implants",
    "S",
    1.2,
    1.4,
    3.5,
    (1.04, 1.44),
    (1.28, 1.58),
    (3.0, 3.96),
)
"""The series that the execution term is fitted to."""

ZHOU_2018 = Series(
    "Zhou 2018",
    "Zhou et al. 2018, J Evid Based Dent Pract 18:28; 14 clinical studies",
    "S",
    1.25,
    1.57,
    4.1,
    (1.22, 1.29),
    (1.53, 1.62),
    (3.97, 4.23),
)

TOOTH_SUPPORTED = Series(
    "tooth-supported, partially edentulous",
    "as cited to Tahmaseb in BMC Oral Health 2022, doi 10.1186/s12903-022-02585-5",
    "S2",
    0.84,
    1.15,
    3.28,
)
"""A check by support, not fitted."""

OZAN_2009: Mapping[str, float] = MappingProxyType({"teeth": 2.91, "mucosa": 4.51, "bone": 4.63})
"""Mean angle (deg) by support; Ozan et al. 2009, J Oral Maxillofac Surg 67:394 (S). Only the order is a check."""

TATTAN_2020_FREE_HAND = Series(
    "Tattan 2020, free hand minus fully guided",
    "Tattan et al. 2020, Clin Oral Implants Res, doi 10.1111/clr.13635; 8 trials, 878 implants",
    "S",
    0.65,
    1.13,
    4.41,
    (0.50, 0.79),
    (0.92, 1.34),
    (3.99, 4.83),
)
"""Differences of means; the free-hand term is fitted to them."""

TATTAN_2020_PARTIAL_ANGLE = (2.11, 1.06, 3.16)
"""Partially minus fully guided, angle (deg) with limits; entry and apex not significant (Tattan 2020, S)."""

GARGALLO_2020_HALF = Series(
    "Gargallo-Albiol 2020, half guided minus fully guided",
    "Gargallo-Albiol et al. 2020, Int J Oral Maxillofac Implants 35(6); 10 randomised trials",
    "S",
    0.51,
    0.75,
    3.63,
)
"""Differences of means; the pilot-only term is fitted to them."""

GARGALLO_2020_FREE_HAND_ENTRY_MM = 1.18
"""Free hand minus fully guided at entry (same paper, S): a check, not fitted."""

CHEN_2019_FREE_HAND = Series(
    "Chen 2019, free hand minus template",
    "Chen et al. 2019, Implant Dent 28(6)",
    "S",
    None,
    0.83,
    5.45,
    None,
    (0.54, 1.12),
    None,
)
"""A check for free hand, not fitted; the paper's limits of the angle are misprinted and not used."""

REFERENCE_LENGTH_MM = 11.0
"""Fixture length of the reference configurations (our choice; the series do not give one)."""

EXECUTION = PoseSpread(0.5379, 2.2014, 1.708)
"""What is left of Tahmaseb 2018 after the other sources, equal thirds of teeth, mucosa and bone.

C: `calibration.fit_execution`; the tests fit it anew.
"""

GUIDANCE_EXTRA: Mapping[Guidance, PoseSpread] = MappingProxyType(
    {
        Guidance.FULL: PoseSpread(0.0, 0.0),
        Guidance.DRILLS: PoseSpread(0.0, 3.5449),
        Guidance.PILOT: PoseSpread(0.7673, 5.0325, 1.181),
        Guidance.FREE_HAND: PoseSpread(1.0255, 6.0075, -1.747),
    }
)
"""What less guidance adds; fitted to the published differences (C: `calibration.fit_guidance`)."""

GUIDANCE_SOURCE: Mapping[Guidance, tuple[str, str]] = MappingProxyType(
    {
        Guidance.FULL: ("no more than what is guided", ""),
        Guidance.DRILLS: ("Tattan et al. 2020, partially minus fully guided: 2.11 degrees", "S"),
        Guidance.PILOT: (GARGALLO_2020_HALF.source, "S"),
        Guidance.FREE_HAND: (TATTAN_2020_FREE_HAND.source, "S"),
    }
)
