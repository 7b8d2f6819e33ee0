"""How high the canal's upper wall lies in a section of the jaw."""

from __future__ import annotations

import numpy as np

from planner_core.anatomy.outline import Outline
from planner_core.anatomy.structures import Canal
from planner_core.geometry.frames import FloatArray, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm

BALLS_MM = 0.1
"""Spacing of the balls that stand for a canal, mm (our choice: 0.001 mm of its wall at 1 mm radius)."""

CANAL_REACH_MM, END_SIGMA_SHARE, CANAL_ASIDE_MM = 1.0, 0.5, 45.0
"""A canal's course is led on by this beyond its ends, mm, and errs there by this share of it; it belongs to a
station when it passes the section this near to the arch, mm (our choice: the other side's is further away)."""


def canal_top_at(canal: Canal, outline: Outline) -> tuple[float, float] | None:
    """Give the height (mm along up) of the canal's upper wall in a section and its sigma; None where it is not.

    The sigma is infinite where an end of the course is near: it may go on steeply.
    """
    path, radii, sigmas = _reaching_on(canal)
    place = outline.to_plane(path)
    near = np.hypot(place[:, 0], place[:, 1]) < CANAL_ASIDE_MM
    # The tube as balls strung on its course: right however obliquely it passes the section.
    inside = radii**2 - place[:, 2] ** 2
    met = np.flatnonzero(near & (inside > 0.0))
    if not len(met):
        return None
    if _ends_near(outline.to_plane(canal.path_lps_mm), canal.radius_mm):
        # Its end is near: how it goes on from there was not clicked.
        return float(place[met, 1].max() + np.sqrt(inside[met].max())), float("inf")
    reach = np.sqrt(inside[met])
    best = int(np.argmax(place[met, 1] + reach))
    k, half = int(met[best]), float(reach[best])
    # Where the course leans up in the section, an error along the arch lifts the wall too.
    lean = abs(float(place[k, 2])) / max(half, 0.3 * float(radii[k]))
    return float(place[k, 1] + half), float(sigmas[k] * np.hypot(1.0, lean))


def _ends_near(place: FloatArray, radii: FloatArray) -> bool:
    """Tell whether an end of a course lies near the section's plane and the arch."""
    ends = place[[0, -1]]
    near = np.hypot(ends[:, 0], ends[:, 1]) < CANAL_ASIDE_MM
    return bool((near & (np.abs(ends[:, 2]) < CANAL_REACH_MM + radii[[0, -1]])).any())


def _reaching_on(canal: Canal) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give a canal's course, radii and sigmas, led straight on at both ends: it does not stop at the clicks."""
    path, back = canal.path_lps_mm, min(3, len(canal.path_lps_mm) - 1)
    ends = []
    for end, inner in ((path[0], path[back]), (path[-1], path[-1 - back])):
        ends.append(end + CANAL_REACH_MM * unit(end - inner))
    sigma = np.hypot(canal.sigma_mm[[0, -1]], END_SIGMA_SHARE * CANAL_REACH_MM)
    whole = np.vstack([ends[0], path, ends[1]])
    along = lengths_mm(whole)
    fine = np.linspace(0.0, along[-1], max(2, round(along[-1] / BALLS_MM)))
    radii = np.concatenate([canal.radius_mm[:1], canal.radius_mm, canal.radius_mm[-1:]])
    sigmas = np.concatenate([sigma[:1], canal.sigma_mm, sigma[1:]])
    return at_lengths(whole, fine), np.interp(fine, along, radii), np.interp(fine, along, sigmas)
