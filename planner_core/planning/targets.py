"""The solids of fixture and drill, and their distances to each kind of obstacle, for the rows of the ledger."""

from __future__ import annotations

import numpy as np
from attrs import frozen

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.drilling import DrillList
from planner_core.planning.fixture import FixtureShape
from planner_core.planning.margins import DRILL, FIXTURE
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Revolution, Tube
from planner_core.planning.opposite_wall import OtherWall, other_wall
from planner_core.planning.solid_pairs import BALL, solid_solid
from planner_core.planning.solids import convex_profile, solid_point, solid_tube
from planner_core.planning.triangle_tree import TriangleTree, point_triangles, solid_triangles

UNKNOWN_OVERSHOOT_MM = 2.0
"""How far a drill of unknown tip may cut beyond its nominal depth, mm.

A drilling-protocol page gives 1 to 2 mm (S2); the larger is taken until the drill list says, and the drill's end is
then taken as flat, since its shape is not known either.
"""

DRILL_NARROWER_MM = 0.5
"""Last drill narrower than the fixture by this, mm, where no drill list is given (our choice, generic lists)."""

PLATFORM_LEVEL_MM = 2.0
"""Depth below the platforms down to which the 3 mm between fixtures count, mm (our choice)."""

CREST_SKIP_MM = 0.5
"""Bone beside the fixture is measured from here below the platform, mm: where Spray et al. 2000 measured it (S).

Above it lies the crest, which a fixture placed level with the bone always meets.
"""

PERFORATION_FROM_MM = 3.0
"""Bone around the drill counts as a wall that must not be perforated from here below the platform, mm (our choice:
below the crestal part whose thin walls are dealt with by choice of width and graft)."""

UNDER_THE_END = 0.7
"""Cosine to the drill's axis from which a tube counts as under the drill's end (our choice: 45 degrees)."""

FixtureFrame = tuple[FloatArray, FloatArray]
"""Origin (platform centre) and unit axis, LPS mm."""


@frozen(eq=False)
class Passing:
    """A tube that passes under the end of a drill: beside it the drill goes deeper without harm.

    Parameters
    ----------
    radius_mm : float
        Of the tube there.
    along_lps : array of shape (3,)
        The tube's direction.
    end_radius_mm, end_slope : float
        Radius of the drill at its end, and by how much it widens per mm above it.
    widest_mm : float
        Radius that the drill widens to.
    """

    radius_mm: float
    along_lps: FloatArray
    end_radius_mm: float
    end_slope: float
    widest_mm: float


def overshoot_mm(drills: DrillList | None) -> float:
    """Give the drill's reach beyond its nominal depth, mm; `UNKNOWN_OVERSHOOT_MM` where it is not known."""
    known = drills.tip_overshoot_mm if drills is not None else None
    return UNKNOWN_OVERSHOOT_MM if known is None else float(known)


def drill_profile(shape: FixtureShape, drills: DrillList | None) -> FloatArray:
    """Give the drill's outline in the bone as (depth below the platform, radius) rows, overshoot included.

    The largest drill that goes to each depth counts. With a known overshoot the tip is a cone of that length; else
    the end is flat.
    """
    over = overshoot_mm(drills)
    known = drills is not None and drills.tip_overshoot_mm is not None
    if drills is None or not drills.steps:
        steps = [(shape.length_mm, max(shape.diameter_mm - DRILL_NARROWER_MM, 0.5) / 2.0)]
    else:
        steps = [
            (
                shape.length_mm if step.depth_below_platform_mm is None else step.depth_below_platform_mm,
                step.diameter_mm / 2.0,
            )
            for step in drills.steps
        ]
    steps = sorted((step for step in steps if step[0] > 0.0), key=lambda step: step[0])
    rows: list[tuple[float, float]] = [(0.0, max(radius for _, radius in steps))]
    for depth, _ in steps:
        radius = max(r for d, r in steps if d >= depth)
        if known and over > 0.0:
            rows += [(depth, radius), (depth + over, 0.0)]
        else:
            rows.append((depth + over, radius))
    rows.sort(key=lambda row: row[0])
    return np.array(rows)


class Bodies:
    """The solids of one shape, computed once per shape and drill list."""

    def __init__(self, shape: FixtureShape, drills: DrillList | None) -> None:
        self.fixture = convex_profile(shape.profile_mm)
        self.drill = convex_profile(drill_profile(shape, drills))
        self.platform = convex_profile(shape.profile_mm, to_mm=PLATFORM_LEVEL_MM)
        profiles = np.vstack([self.fixture, self.drill])
        self.middle = float(profiles[:, 0].max()) / 2.0
        self.radius = float(np.hypot(profiles[:, 0] - self.middle, profiles[:, 1]).max())

    def profile(self, body: str) -> FloatArray:
        """Give the outline of the fixture or the drill."""
        return self.drill if body == DRILL else self.fixture


@frozen(eq=False)
class Distance:
    """A signed distance (mm) with its nearest points, shape (3,)."""

    mm: float
    on_fixture: FloatArray
    on_obstacle: FloatArray
    passing: Passing | None = None
    other_wall: OtherWall | None = None


def _closed(surface: Surface) -> bool:
    t = surface.triangles.astype(np.int64)
    edges = np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    _, counts = np.unique(edges[:, 0] * len(surface.points_mm) + edges[:, 1], return_counts=True)
    return bool((counts == 2).all())


class SurfaceTarget:
    """A triangle surface with its tree and the triangle last found for each body."""

    def __init__(self, obstacle: Obstacle, surface: Surface) -> None:
        self.inside = obstacle.inside
        self.looks_behind = True
        """Whether the wall on a drill's other side is looked for; not where each side is an obstacle of its own."""
        self.tree = TriangleTree.of(surface)
        self.closed = _closed(surface)
        self.last: dict[tuple[str, str], int] = {}
        self.middle: dict[tuple[str, str], tuple[FloatArray, float]] = {}

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> Distance | None:
        """Give the distance of a body standing here; `key` is (site, body)."""
        tree = self.tree
        origin, axis = frame
        z_min = -np.inf
        if self.inside:
            z_min = PERFORATION_FROM_MM if key[1] == DRILL else CREST_SKIP_MM
        near = np.full(3, np.nan)
        best, found = solid_triangles(
            profile,
            origin,
            axis,
            z_min,
            tree.corners_mm,
            tree.start,
            tree.stop,
            tree.box_centre_mm,
            tree.box_half_mm,
            tree.first_leaf,
            self.last.get(key, -1),
            near,
        )
        if found < 0:
            return None
        self.last[key] = found
        on_fixture = nearest_on_solid(profile, origin, axis, near)
        if best > 0.0 and (self.inside or self.closed):
            depth = max(0.5 * float(profile[-1, 0]), z_min if self.inside else 0.0)
            if self._behind(key, origin + depth * axis) != self.inside:
                best = -best
        behind = None
        if self.looks_behind and self.inside and key[1] == DRILL and best > 0.0:
            behind = other_wall(tree, profile, origin, axis, z_min, near - on_fixture)
        return Distance(float(best), on_fixture, near, other_wall=behind)

    def _behind(self, key: tuple[str, str], point: FloatArray) -> bool:
        """Tell whether a point lies behind the surface; nothing to search while it moved less than its distance."""
        before = self.middle.get(key)
        if before is not None:
            step = point - before[0]
            if step @ step < before[1] ** 2:
                return before[1] < 0.0
        value = self.signed(point)
        self.middle[key] = (point, value)
        return value < 0.0

    def signed(self, point: FloatArray) -> float:
        """Give the signed distance of a point, negative behind the surface."""
        tree = self.tree
        return float(
            point_triangles(
                np.ascontiguousarray(point),
                tree.corners_mm,
                tree.normals,
                tree.start,
                tree.stop,
                tree.box_centre_mm,
                tree.box_half_mm,
                tree.first_leaf,
                np.empty(3),
            )
        )


class TubeTarget:
    """A tube, measured to its wall."""

    def __init__(self, tube: Tube) -> None:
        self.path = np.array(tube.path_lps_mm)
        self.radius = np.array(tube.radius_mm)

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> Distance:
        """Give the distance of a body standing here; `key` is (site, body)."""
        on_fixture, on_tube, where = np.empty(3), np.empty(3), np.empty(2)
        value = solid_tube(profile, frame[0], frame[1], self.path, self.radius, on_fixture, on_tube, where)
        passing = None
        if key[1] == DRILL and len(self.path) > 1:
            passing = self._passing(profile, frame[1], on_fixture, on_tube, int(where[0]), float(where[1]))
        return Distance(float(value), on_fixture, on_tube, passing)

    def _passing(
        self,
        profile: FloatArray,
        axis: FloatArray,
        on_fixture: FloatArray,
        on_tube: FloatArray,
        k: int,
        t: float,
    ) -> Passing | None:
        """Describe a tube under the drill's end; None when it passes beside the drill."""
        toward = on_tube - on_fixture
        length = float(np.sqrt(toward @ toward))
        if length < 1e-6 or float(toward @ axis) < UNDER_THE_END * length:
            return None
        step = self.path[k + 1] - self.path[k]
        radius = float(self.radius[k] + t * (self.radius[k + 1] - self.radius[k]))
        rise = float(profile[-1, 0] - profile[-2, 0])
        slope = float(profile[-2, 1] - profile[-1, 1]) / max(rise, 1e-6)
        widest = float(profile[:, 1].max())
        return Passing(radius, step / np.sqrt(step @ step), float(profile[-1, 1]), max(slope, 0.0), widest)


class SolidTarget:
    """A fixture that stands already, or another body of revolution."""

    def __init__(self, solid: Revolution, kind: ObstacleKind) -> None:
        self.whole = convex_profile(solid.profile_mm)
        self.platform = convex_profile(solid.profile_mm, to_mm=float(solid.profile_mm[0, 0]) + PLATFORM_LEVEL_MM)
        self.at_platform = kind == ObstacleKind.FIXTURE
        self.frame = (np.array(solid.origin_lps_mm), np.array(solid.axis_lps))

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> Distance:
        """Give the distance of a body standing here; `key` is (site, body)."""
        if self.at_platform and key[1] == FIXTURE:
            near = convex_profile(profile, to_mm=PLATFORM_LEVEL_MM)
            return between_solids(near, frame, self.platform, self.frame)
        return between_solids(profile, frame, self.whole, self.frame)


def nearest_on_solid(profile: FloatArray, origin: FloatArray, axis: FloatArray, point: FloatArray) -> FloatArray:
    """Give the point of a solid's surface nearest to a point, shape (3,)."""
    gradient = np.empty(3)
    value = solid_point(profile, origin, axis, point, gradient)
    return np.asarray(point - value * gradient)


def between_solids(pa: FloatArray, a: FixtureFrame, pb: FloatArray, b: FixtureFrame) -> Distance:
    """Give the signed distance of two solids of revolution with their nearest points."""
    on_a, on_b = np.empty(3), np.empty(3)
    value = solid_solid(pa, a[0], a[1], pb, b[0], b[1], BALL, on_a, on_b)
    return Distance(float(value), on_a, on_b)


def target_of(obstacle: Obstacle) -> SurfaceTarget | TubeTarget | SolidTarget:
    """Prepare an obstacle for many distances."""
    geometry = obstacle.geometry
    if isinstance(geometry, Tube):
        return TubeTarget(geometry)
    if isinstance(geometry, Revolution):
        return SolidTarget(geometry, obstacle.kind)
    return SurfaceTarget(obstacle, geometry)
