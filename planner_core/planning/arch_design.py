"""What a full arch is planned for: kind of prosthesis, occlusal plane, lip line at full smile."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.frames import AnyArray, FloatArray, readonly, readonly_or_none, unit
from planner_core.planning.crowns import GINGIVA_MM, PlannedTooth, average_station_mm, tooth_at


def _points(values: ArrayLike) -> AnyArray:
    return readonly(np.asarray(values, dtype=np.float64).reshape(-1, 3))


@frozen(eq=False)
class ArchDesign:
    """The user's wishes for the whole arch; everything may be left open.

    Parameters
    ----------
    prosthesis : str
        A key of `full_arch.SPACE_NEEDED_MM`; empty = not said.
    plane_point_lps_mm, plane_normal_lps : arrays of shape (3,) or None
        Occlusal plane, its normal towards the opposing teeth; None = from the planned teeth.
    lip_height_mm : float or None
        Typed: how far the lip at full smile stands from the occlusal plane towards this jaw, mm.
    lip_lps_mm : array of shape (n, 3)
        Drawn: points on the lip's edge at full smile. It counts before the typed number.
    """

    prosthesis: str = ""
    plane_point_lps_mm: FloatArray | None = field(converter=readonly_or_none, default=None)
    plane_normal_lps: FloatArray | None = field(converter=readonly_or_none, default=None)
    lip_height_mm: float | None = None
    lip_lps_mm: FloatArray = field(converter=_points, factory=lambda: np.zeros((0, 3)))

    @property
    def has_lip(self) -> bool:
        """Whether a lip line is known."""
        return self.lip_height_mm is not None or len(self.lip_lps_mm) > 0


@frozen(eq=False)
class OcclusalPlane:
    """A plane through the teeth's tops; its normal points to the opposing teeth. `source` says where it is from."""

    point_lps_mm: FloatArray = field(converter=readonly)
    normal_lps: FloatArray = field(converter=readonly)
    source: str


def occlusal_plane(
    design: ArchDesign, arch: ArchCurve, crowns: Mapping[str, PlannedTooth] | None = None
) -> OcclusalPlane:
    """Give the occlusal plane: the user's, else through the planned teeth, else over average ones."""
    up = arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps
    if design.plane_point_lps_mm is not None:
        normal = up if design.plane_normal_lps is None else design.plane_normal_lps
        return OcclusalPlane(design.plane_point_lps_mm, unit(normal), "set by hand")
    if crowns:
        tops = np.array([crown.middle_lps_mm for crown in crowns.values()])
        return OcclusalPlane(tops.mean(axis=0), up, f"through {len(tops)} planned teeth")
    quadrants = ("4", "3") if arch.jaw == Jaw.LOWER else ("1", "2")
    sites = [f"{quadrant}{tooth}" for quadrant in quadrants for tooth in "12345"]
    tops = np.array([tooth_at(arch, s, average_station_mm(s)).middle_lps_mm for s in sites])
    return OcclusalPlane(tops.mean(axis=0), up, "over average teeth on the arch; plan teeth to have it right")


@frozen(eq=False)
class LipCover:
    """Whether the transition from prosthesis to gingiva stays behind the lip at full smile.

    `hidden_mm` is the least distance by which the lip covers it; negative: it shows.
    """

    hidden_mm: float
    source: str

    @property
    def hidden(self) -> bool:
        """Whether it stays covered."""
        return self.hidden_mm > 0.0

    @property
    def text(self) -> str:
        """Say it in a sentence."""
        if self.hidden:
            return f"The transition stays {self.hidden_mm:.1f} mm behind the lip ({self.source})."
        return (
            f"The transition shows by {-self.hidden_mm:.1f} mm at full smile ({self.source}): "
            "take off more bone or change the design."
        )


def lip_cover(design: ArchDesign, plane: OcclusalPlane, crest_lps_mm: ArrayLike) -> LipCover | None:
    """Compare the lip line with the transition, which lies `GINGIVA_MM` over the crest; None without a lip line.

    Parameters
    ----------
    crest_lps_mm : array of shape (n, 3)
        Crest (after a planned reduction) along the part that shows.
    """
    crest = np.asarray(crest_lps_mm, dtype=np.float64).reshape(-1, 3)
    crest = crest[np.isfinite(crest).all(axis=1)]
    if not design.has_lip or not len(crest):
        return None
    transition = (crest - plane.point_lps_mm) @ plane.normal_lps + GINGIVA_MM
    if len(design.lip_lps_mm):
        lip = (design.lip_lps_mm - plane.point_lps_mm) @ plane.normal_lps
        away = np.linalg.norm(crest[:, None] - design.lip_lps_mm[None], axis=2)
        at_crest = lip[np.argmin(away, axis=1)]
        return LipCover(float((at_crest - transition).min()), "drawn lip line")
    assert design.lip_height_mm is not None
    return LipCover(float((-design.lip_height_mm - transition).min()), "typed lip line")
