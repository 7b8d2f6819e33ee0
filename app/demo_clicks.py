"""The user of the demo: clicks on the sample scenario, with the scatter of a hand, from a fixed seed.

The known truth of the sample says where a careful user would click; every click is moved at random by
`CLICK_SIGMA_MM`. What is then measured in scan and surface (marker centres, canal course) comes from their data.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from attrs import field, frozen

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.registration.edges import GreyField
from planner_core.registration.markers import Marker, measure_ball
from planner_core.registration.match import PointPair
from planner_core.registration.surface_markers import snap_to_marker

CLICK_SIGMA_MM = 0.4
"""Standard deviation of a click per axis, mm.

Tomasi et al. 2011, Dentomaxillofac Radiol 40:244: repeatability of landmarks 0.36 to 0.48 mm (S).
"""

SEED = 20260131
"""Start of the demo's random clicks; the same on every run."""

FIRST_RADIUS_MM = 0.9
"""Radius that a marker's measurement starts from, mm (the scenario's balls are 1.6 to 2.0 mm wide)."""


@frozen
class Truth:
    """The known truth of a sample."""

    data: Any

    @classmethod
    def of(cls, folder: Path) -> Truth:
        """Read the truth of a sample folder."""
        path = folder / "truth.json"
        try:
            return cls(json.loads(path.read_text(encoding="utf-8")))
        except (OSError, ValueError) as fault:
            raise PlannerError(f"The sample's truth {path} cannot be read.", "Get the program again.") from fault

    @property
    def lps_from_surface(self) -> FloatArray:
        """True 4x4 pose of the surface scan."""
        return np.array(self.data["volume_from_surface"], dtype=np.float64)

    def canal(self, side: str) -> FloatArray:
        """True centre line of a canal, shape (n, 3)."""
        return np.array(self._canal(side)["centre_lps_mm"], dtype=np.float64)

    def canal_diameter_mm(self, side: str) -> float:
        """True diameter of a canal."""
        return float(self._canal(side)["diameter_mm"])

    def _canal(self, side: str) -> Any:
        return next(canal for canal in self.data["canals"] if canal["side"] == side)

    @property
    def arch(self) -> FloatArray:
        """True course of the arch, from the patient's right to the left, shape (n, 3)."""
        points = np.array(self.data["arch_lps_mm"], dtype=np.float64)
        return points if points[0, 0] < points[-1, 0] else points[::-1]

    def site(self, iso: str) -> Any:
        """What the scenario says about a site."""
        return next(site for site in self.data["sites"] if str(site["iso"]) == iso)


@frozen
class Hand:
    """A hand that clicks near where it aims."""

    random: np.random.Generator = field(factory=lambda: np.random.default_rng(SEED))

    def clicks(self, aims_mm: FloatArray) -> FloatArray:
        """Give clicks for aims of shape (..., 3)."""
        return np.asarray(aims_mm) + self.random.normal(0.0, CLICK_SIGMA_MM, np.shape(aims_mm))


def marker_pairs(hand: Hand, truth: Truth, volume: Volume, surface: Surface) -> tuple[PointPair, ...]:
    """Click every marker in scan and surface; both clicks snap to the ball, and those that do not are left out."""
    grey = GreyField.of(volume, calibrate_grey(volume))
    pairs = []
    for row in truth.data["markers"]:
        in_scan = hand.clicks(np.array(row["centre_lps_mm"]))
        on_surface = hand.clicks(np.array(row["centre_surface_mm"]))
        ball = _ball_at(grey, in_scan, volume)
        if ball is None:
            continue
        try:
            bump = snap_to_marker(surface, on_surface)
        except PlannerError:
            continue
        error = float(np.hypot(ball.localisation_mm, bump.localisation_mm))
        pairs.append(PointPair(str(row["name"]), bump.centre_mm, ball.centre_mm, error))
    return tuple(pairs)


def _ball_at(grey: GreyField, click: FloatArray, volume: Volume) -> Marker | None:
    """Measure the ball under a click, starting again from where the first look points."""
    ball = measure_ball(grey, click, FIRST_RADIUS_MM, volume)
    return ball if ball is None else measure_ball(grey, ball.centre_mm, ball.radius_mm, volume) or ball


def canal_clicks(hand: Hand, truth: Truth, side: str, count: int = 5) -> FloatArray:
    """Click a canal at `count` places along its course, shape (count, 3)."""
    course = truth.canal(side)
    places = np.linspace(0, len(course) - 1, count + 2).round().astype(int)[1:-1]
    return hand.clicks(course[places])


def arch_clicks(hand: Hand, truth: Truth, count: int = 7) -> FloatArray:
    """Click the arch at `count` places from the patient's right to the left, shape (count, 3)."""
    course = truth.arch
    return hand.clicks(course[np.linspace(0, len(course) - 1, count).round().astype(int)])
