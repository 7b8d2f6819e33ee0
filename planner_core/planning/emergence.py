"""Where a fixture's screw leaves its planned crown, and how the crown rises out of the gingiva."""

from __future__ import annotations

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, angle_between_deg, unit
from planner_core.planning.abutments import ChosenAbutment, abutment_axis, shoulder_lps_mm
from planner_core.planning.crowns import CERVICAL_SHARE, EXIT_SHARE, PlannedTooth
from planner_core.planning.fixture import PlacedFixture


@frozen(eq=False)
class ScrewExit:
    """Where the screw leaves the crown: along the fixture's axis, or along its abutment's.

    `facial_mm` and `along_mm` are measured from the middle of the table; `inside` tells whether a straight screw
    channel stays within it; `angle_deg` is between the fixture's axis and the crown's.
    """

    point_lps_mm: FloatArray
    along_mm: float
    facial_mm: float
    inside: bool
    angle_deg: float
    text: str
    start_lps_mm: FloatArray
    """Where the channel begins: platform, or the abutment's shoulder."""


def screw_exit(fixture: PlacedFixture, tooth: PlannedTooth, chosen: ChosenAbutment | None = None) -> ScrewExit:
    """Give where the straight screw channel of a fixture, or of its abutment, leaves a planned crown.

    Raises
    ------
    PlannerError
        If the fixture lies across the crown's axis.
    """
    up = -fixture.pose.axis_lps if chosen is None else abutment_axis(fixture.pose, chosen)
    rise = float(up @ tooth.occlusal_lps)
    if rise < 0.2:
        raise PlannerError(f"The fixture {fixture.site} lies across its crown.", "Turn it upright.")
    start = fixture.pose.platform_lps_mm if chosen is None else shoulder_lps_mm(fixture, chosen)
    point = start + float((tooth.middle_lps_mm - start) @ tooth.occlusal_lps) / rise * up
    offset = point - tooth.exit_lps_mm
    along, facial = float(offset @ tooth.along_lps), float(offset @ tooth.facial_lps)
    inside = abs(along) <= EXIT_SHARE * tooth.mesiodistal_mm and abs(facial) <= EXIT_SHARE * tooth.faciolingual_mm
    angle = angle_between_deg(up, tooth.occlusal_lps)
    place = "within the occlusal table" if not tooth.anterior else "behind the incisal edge"
    if not inside:
        sideways = "facially" if facial > 0 else "lingually"
        place = f"{abs(facial):.1f} mm {sideways} and {abs(along):.1f} mm along the arch off its place"
    text = f"Screw exit {place}, {angle:.0f} degrees off the crown."
    return ScrewExit(point, along, facial, inside, angle, text, start)


def emergence_deg(fixture: PlacedFixture, tooth: PlannedTooth) -> float:
    """Give the steepest emergence: from the platform rim to the neck of the crown, against the fixture axis."""
    pose = fixture.pose
    rise = float((tooth.cervical_lps_mm - pose.platform_lps_mm) @ -pose.axis_lps)
    radius = fixture.shape.platform_diameter_mm / 2.0
    worst = 0.0
    for direction, size in (
        (tooth.along_lps, tooth.mesiodistal_mm),
        (-tooth.along_lps, tooth.mesiodistal_mm),
        (tooth.facial_lps, tooth.faciolingual_mm),
        (-tooth.facial_lps, tooth.faciolingual_mm),
    ):
        neck = tooth.cervical_lps_mm + CERVICAL_SHARE * size / 2.0 * direction
        across = unit(direction - float(direction @ pose.axis_lps) * pose.axis_lps)
        out = float((neck - pose.platform_lps_mm) @ across) - radius
        worst = max(worst, float(np.degrees(np.arctan2(max(out, 0.0), max(rise, 1e-6)))))
    return worst
