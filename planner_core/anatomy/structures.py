"""Anatomy as values: arch curve, canals, bone surface. Every position carries how well it is known."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from attrs import field, frozen

from planner_core.geometry.frames import (
    AnyArray,
    FloatArray,
    readonly,
    readonly_bool,
    readonly_or_none,
    readonly_unit,
    unit,
)
from planner_core.geometry.polyline import at_lengths, lengths_mm, smooth_through
from planner_core.geometry.surface import Surface

ARCH_STEP_MM = 0.25
"""Spacing of the arch curve's samples, mm (our choice: well under a voxel)."""


class Jaw(StrEnum):
    """Which jaw is planned."""

    LOWER = "lower"
    UPPER = "upper"


class Side(StrEnum):
    """The patient's side."""

    RIGHT = "right"
    LEFT = "left"


@frozen(eq=False)
class ArchCurve:
    """The curve along the ridge, from the patient's right to the left.

    A **station** is a place along it in mm from the midline, positive to the patient's left, measured along the
    curve's true length.

    Parameters
    ----------
    control_lps_mm : array of shape (n, 3), n >= 3
        Points that the curve passes through, ordered from the patient's right to the left.
    up_lps : array of shape (3,)
        Unit vector towards the head, perpendicular to the occlusal plane; vertical direction of all sections.
    midline_lps_mm : array of shape (3,)
        The curve's point nearest to it is station zero. Default: the curve's most anterior point.
    """

    jaw: Jaw
    control_lps_mm: FloatArray = field(converter=readonly)
    up_lps: FloatArray = field(converter=readonly_unit, factory=lambda: np.array([0.0, 0.0, 1.0]))
    midline_lps_mm: FloatArray | None = field(converter=readonly_or_none, default=None)
    _cache: dict[str, FloatArray] = field(factory=dict, init=False, repr=False)

    @property
    def curve_lps_mm(self) -> FloatArray:
        """The smooth curve through the control points, sampled every `ARCH_STEP_MM`, shape (m, 3)."""
        if "curve" not in self._cache:
            self._cache["curve"] = smooth_through(self.control_lps_mm, ARCH_STEP_MM)
        return self._cache["curve"]

    @property
    def stations_mm(self) -> FloatArray:
        """Station of each sample of `curve_lps_mm`, shape (m,)."""
        if "stations" not in self._cache:
            curve = self.curve_lps_mm
            if self.midline_lps_mm is None:
                zero = int(np.argmin(curve[:, 1]))
            else:
                zero = int(np.argmin(np.linalg.norm(curve - self.midline_lps_mm, axis=1)))
            along = lengths_mm(curve)
            self._cache["stations"] = along - along[zero]
        return self._cache["stations"]

    def point_at(self, station_mm: float) -> FloatArray:
        """Give the LPS point at a station, shape (3,); clamped at the ends."""
        start = float(self.stations_mm[0])
        return np.asarray(at_lengths(self.curve_lps_mm, station_mm - start)[0])

    def tangent_at(self, station_mm: float) -> FloatArray:
        """Give the unit direction of growing station, perpendicular to `up_lps`, shape (3,)."""
        reach = 1.0
        step = self.point_at(station_mm + reach) - self.point_at(station_mm - reach)
        return unit(step - self.up_lps * float(step @ self.up_lps))

    def outward_at(self, station_mm: float) -> FloatArray:
        """Give the unit direction from tongue to cheek or lip at a station, shape (3,)."""
        return unit(np.cross(self.tangent_at(station_mm), self.up_lps))

    def station_of(self, point_lps_mm: FloatArray) -> float:
        """Give the station whose cross-section is nearest to a point (measured perpendicular to `up_lps`)."""
        offset = self.curve_lps_mm - np.asarray(point_lps_mm, dtype=np.float64)
        offset = offset - np.outer(offset @ self.up_lps, self.up_lps)
        return float(self.stations_mm[int(np.argmin(np.einsum("ij,ij->i", offset, offset)))])

    def side_of(self, point_lps_mm: FloatArray) -> Side:
        """Give the patient's side on which a point lies: by the sign of its station."""
        return Side.LEFT if self.station_of(point_lps_mm) >= 0.0 else Side.RIGHT


@frozen(eq=False)
class Canal:
    """The mandibular canal of one side, from the foramen backwards.

    Parameters
    ----------
    control_lps_mm : array of shape (k, 3)
        What the user clicked.
    path_lps_mm : array of shape (n, 3)
        Centre line.
    diameter_mm : array of shape (n,)
    sigma_mm : array of shape (n,)
        Standard deviation of the centre line across its course, per axis.
    certain : bool array of shape (n,)
        False where the canal was not seen and its course is only joined up.
    """

    side: Side
    control_lps_mm: FloatArray = field(converter=readonly)
    path_lps_mm: FloatArray = field(converter=readonly)
    diameter_mm: FloatArray = field(converter=readonly)
    sigma_mm: FloatArray = field(converter=readonly)
    certain: AnyArray = field(converter=readonly_bool)

    @property
    def radius_mm(self) -> FloatArray:
        """Half the diameter along the path, shape (n,), mm."""
        return self.diameter_mm / 2.0


@frozen(eq=False)
class BoneSurface:
    """The outer bone surface with how well it is known.

    Parameters
    ----------
    surface : Surface
        In LPS, normals out of the bone.
    level : float
        Grey value at which it was drawn, where one level was used; else nan.
    sigma_mm : float
        Standard deviation of its position along the normal, mm.
    """

    surface: Surface
    level: float
    sigma_mm: float
