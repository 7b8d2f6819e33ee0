"""Fixtures as values: a shape out of a catalogue and where it stands."""

from __future__ import annotations

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, perpendicular, readonly, readonly_unit, rotation_about


@frozen(eq=False)
class FixtureShape:
    """A fixture body as a surface of revolution about its axis.

    Parameters
    ----------
    shape_id : str
        Stable id in its catalogue.
    label : str
        What the user reads, for example "Generic tapered 4.0 x 10".
    diameter_mm : float
        Largest body diameter.
    length_mm : float
        True length from platform to apex, not the label's.
    platform_diameter_mm : float
    profile_mm : array of shape (k, 2)
        (depth below the platform, radius) from platform to apex; depths ascending, radius of the outer thread.
    generic : bool
        True for the built-in shapes that are no maker's.
    thread_depth_mm : float
        Outer thread over the core at the platform.
    core_taper_deg : float
        Half angle of the core's cone; the profile above is the outer thread, which is what distances count from.
    connection_height_mm : float
        What stands over the platform in one piece with the body.
    """

    shape_id: str
    label: str
    diameter_mm: float
    length_mm: float
    platform_diameter_mm: float
    profile_mm: FloatArray = field(converter=readonly)
    material: str = "titanium"
    generic: bool = True
    thread_depth_mm: float = 0.0
    core_taper_deg: float = 0.0
    connection_height_mm: float = 0.0

    def __attrs_post_init__(self) -> None:
        profile = self.profile_mm
        if profile.ndim != 2 or profile.shape[1] != 2 or len(profile) < 2:
            raise PlannerError(f"The fixture {self.shape_id!r} needs a profile of (depth, radius) rows.", "")
        if np.any(np.diff(profile[:, 0]) < 0) or np.any(profile[:, 1] < 0):
            raise PlannerError(f"The profile of fixture {self.shape_id!r} must go down without negative radii.", "")
        if self.diameter_mm <= 0 or self.length_mm <= 0:
            raise PlannerError(f"The fixture {self.shape_id!r} needs a diameter and a length above zero.", "")
        if min(self.thread_depth_mm, self.connection_height_mm, self.core_taper_deg) < 0:
            raise PlannerError(f"The fixture {self.shape_id!r} has a negative thread, core or connection.", "")

    def core_radius_mm(self, depth_mm: float) -> float:
        """Give the core's radius at a depth below the platform: inside the thread, narrowing by its own taper."""
        outer = float(np.interp(depth_mm, self.profile_mm[:, 0], self.profile_mm[:, 1]))
        start = self.diameter_mm / 2.0 - self.thread_depth_mm
        return max(0.0, min(outer, start - np.tan(np.radians(self.core_taper_deg)) * depth_mm))


@frozen(eq=False)
class FixturePose:
    """Where a fixture stands: platform centre, axis from platform to apex, rotation about it.

    Parameters
    ----------
    platform_lps_mm : array of shape (3,)
        Platform centre = entry.
    axis_lps : array of shape (3,)
        Unit vector from platform to apex.
    roll_deg : float
        Rotation about the axis from `frames.perpendicular(axis)`.
    """

    platform_lps_mm: FloatArray = field(converter=readonly)
    axis_lps: FloatArray = field(converter=readonly_unit)
    roll_deg: float = 0.0

    def at_depth(self, depth_mm: float) -> FloatArray:
        """Give the point on the axis `depth_mm` below the platform, shape (3,)."""
        return self.platform_lps_mm + depth_mm * self.axis_lps

    def side_lps(self) -> FloatArray:
        """Give the unit vector across the axis that `roll_deg` points to, shape (3,)."""
        return rotation_about(self.axis_lps, np.radians(self.roll_deg)) @ perpendicular(self.axis_lps)

    def shifted(self, by_mm: ArrayLike) -> FixturePose:
        """Give the pose moved by a vector in LPS (mm)."""
        return evolve(self, platform_lps_mm=self.platform_lps_mm + np.asarray(by_mm, dtype=np.float64))

    def turned(self, about_axis_lps: ArrayLike, angle_deg: float, pivot_lps_mm: ArrayLike) -> FixturePose:
        """Give the pose turned by `angle_deg` about an axis through a pivot."""
        rotation = rotation_about(about_axis_lps, np.radians(angle_deg))
        pivot = np.asarray(pivot_lps_mm, dtype=np.float64)
        return evolve(
            self,
            platform_lps_mm=rotation @ (self.platform_lps_mm - pivot) + pivot,
            axis_lps=rotation @ self.axis_lps,
        )


@frozen(eq=False)
class PlacedFixture:
    """One planned fixture at a site.

    Parameters
    ----------
    site : str
        ISO 3950 two-digit number of the tooth that it carries (ISO 19429: no quadrants 5 to 8).
    """

    site: str
    shape: FixtureShape
    pose: FixturePose
    locked: bool = False

    @property
    def apex_lps_mm(self) -> FloatArray:
        """Tip of the fixture, shape (3,)."""
        return self.pose.at_depth(self.shape.length_mm)
