"""What a search for a pose looks at: the bone side by side, near obstacles only, degradation on a grid."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve
from scipy import ndimage

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.fixture import FixturePose
from planner_core.planning.ledger import LedgerRow
from planner_core.planning.margins import DRILL
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Revolution, Tube
from planner_core.planning.opposite_wall import LATERAL_TO, REACH_MM, OtherWall
from planner_core.planning.rays import near_part

NEAR_MM = 30.0
"""Bone further from the crest than this is left out of the search, mm (our choice)."""

OPPOSITE_FROM = -0.5
"""Cosine between two walls of the ridge up to which one counts as behind the other (our choice: 60 degrees)."""

LEVEL_STEP_MM = 1.5
"""Grid on which the scan's degradation is sampled for the search, mm (our choice: finer than its own map)."""


def sides_of(obstacle: Obstacle, crest_lps_mm: FloatArray, facial_lps: FloatArray) -> list[Obstacle]:
    """Give the bone as its facial and its lingual side, so that each has a gradient of its own."""
    surface = obstacle.geometry
    if not (obstacle.inside and isinstance(surface, Surface)):
        return [obstacle]
    part = near_part(surface, crest_lps_mm, NEAR_MM)
    facial = part.face_normals @ facial_lps >= 0.0
    found = []
    for side, mask in (("facial", facial), ("lingual", ~facial)):
        if mask.any():
            half = Surface(part.points_mm, part.triangles[mask], part.frame)
            found.append(evolve(obstacle, name=f"{obstacle.name}, {side}", geometry=half))
    return found


def with_other_walls(rows: list[LedgerRow], pose: FixturePose) -> list[LedgerRow]:
    """Give the drill's rows to the two sides of the bone, each with the other side as the wall behind it."""
    sides = [row for row in rows if row.kind is ObstacleKind.BONE_SURFACE and row.body == DRILL]
    if len(sides) != 2:
        return rows
    ways = []
    for row in sides:
        offset = row.obstacle_point_lps_mm - pose.platform_lps_mm
        depth = float(offset @ pose.axis_lps)
        across = offset - depth * pose.axis_lps
        size = float(np.sqrt(across @ across))
        toward = row.obstacle_point_lps_mm - row.fixture_point_lps_mm
        lateral = abs(float(toward @ pose.axis_lps)) <= LATERAL_TO * float(np.sqrt(toward @ toward))
        if size < 1e-6 or not lateral or row.distance_mm <= 0.0:
            return rows
        ways.append((depth, across / size))
    if float(ways[0][1] @ ways[1][1]) > OPPOSITE_FROM:
        return rows
    behind = {
        id(sides[k]): OtherWall(sides[1 - k].distance_mm, ways[1 - k][0], ways[1 - k][1])
        for k in (0, 1)
        if sides[1 - k].distance_mm < REACH_MM
    }
    return [evolve(row, other_wall=behind[id(row)]) if id(row) in behind else row for row in rows]


def within_reach(obstacle: Obstacle, place_lps_mm: FloatArray) -> bool:
    """Tell whether an obstacle comes within `NEAR_MM` of a place; a further one decides nothing at this site."""
    geometry = obstacle.geometry
    if isinstance(geometry, Revolution):
        return float(np.linalg.norm(geometry.origin_lps_mm - place_lps_mm)) <= 2.0 * NEAR_MM
    points = geometry.path_lps_mm if isinstance(geometry, Tube) else geometry.points_mm
    offset = points - place_lps_mm
    return float(np.einsum("ij,ij->i", offset, offset).min()) <= NEAR_MM**2


class Levels:
    """The scan's degradation near a site, sampled once on a grid: a search asks for it a thousand times."""

    def __init__(self, degradation: Any, centre_lps_mm: FloatArray) -> None:
        steps = np.arange(-NEAR_MM, NEAR_MM + 0.5 * LEVEL_STEP_MM, LEVEL_STEP_MM)
        grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
        self._low = np.asarray(centre_lps_mm) - NEAR_MM
        levels = np.asarray(degradation.level_at((grid + centre_lps_mm).reshape(-1, 3)))
        self._grid = np.nan_to_num(levels).reshape(grid.shape[:3])

    def level_at(self, points_lps_mm: FloatArray) -> FloatArray:
        """Give the level (0..1) at points of shape (n, 3), between the grid's places by proportion."""
        index = (np.atleast_2d(points_lps_mm) - self._low) / LEVEL_STEP_MM
        return np.asarray(ndimage.map_coordinates(self._grid, index.T, order=1, mode="nearest"))
