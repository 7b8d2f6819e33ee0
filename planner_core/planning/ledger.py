"""The ledger: every clearance of every fixture, signed, with its margin and nearest points.

Distances are exact to `solids.TOLERANCE_MM` for the convex hull of the fixture's profile and of the drill. Outside
they are positive; an overlap is minus the depth along the shortest way out of the fixture body.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

import numpy as np
from attrs import frozen

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.drilling import DrillList
from planner_core.planning.fixture import FixtureShape, PlacedFixture
from planner_core.planning.margins import DRILL, FIXTURE, Margin, margin_for
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Revolution, Tube
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

REACH_MM = 15.0
"""Roots, fixtures and drawn structures further away than this have no row, mm (our choice)."""


FixtureFrame = tuple[FloatArray, FloatArray]
"""Origin (platform centre) and unit axis, LPS mm."""


class LedgerState(StrEnum):
    """A clearance in a word."""

    CLEAR = "clear"
    INSIDE_MARGIN = "inside margin"
    TOUCHES = "touches"


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


@frozen(eq=False)
class LedgerRow:
    """One clearance.

    Parameters
    ----------
    body : str
        "fixture" or "drill" (with its overshoot).
    distance_mm : float
        Signed; for the bone surface the bone left around the body (positive inside bone).
    fixture_point_lps_mm, obstacle_point_lps_mm : array of shape (3,)
        The nearest points.
    sigma_mm : float
        Standard deviation of the obstacle's place there; not part of the distance.
    depth_mm : float
        Depth of the nearest point below the platform.
    obstacle_index : int
        Index in the ledger's obstacles; -1 for another planned fixture.
    """

    site: str
    kind: ObstacleKind
    obstacle: str
    body: str
    distance_mm: float
    margin_mm: float
    margin_source: str
    state: LedgerState
    fixture_point_lps_mm: FloatArray
    obstacle_point_lps_mm: FloatArray
    sigma_mm: float
    depth_mm: float = 0.0
    margin_mark: str = ""
    convention: bool = False
    obstacle_index: int = -1
    passing: Passing | None = None
    """For the drill over a tube: how wide the two meet; None for everything that has no end there."""


@frozen(eq=False)
class Ledger:
    """The rows of all fixtures, nearest to trouble first within a site."""

    rows: tuple[LedgerRow, ...]

    def of(self, site: str) -> tuple[LedgerRow, ...]:
        """Give the rows of one site."""
        return tuple(row for row in self.rows if row.site == site)

    @property
    def worst(self) -> LedgerRow | None:
        """The row that misses its margin most; None when there are no rows."""
        return min(self.rows, key=lambda row: row.distance_mm - row.margin_mm, default=None)


def state_of(distance_mm: float, margin_mm: float) -> LedgerState:
    """Give the word for a distance under a margin: at exactly the margin it is clear, at zero it touches."""
    if distance_mm <= 0.0:
        return LedgerState.TOUCHES
    return LedgerState.CLEAR if distance_mm >= margin_mm else LedgerState.INSIDE_MARGIN


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


class _Bodies:
    """The solids of one shape, computed once per shape and drill list."""

    def __init__(self, shape: FixtureShape, drills: DrillList | None) -> None:
        self.fixture = convex_profile(shape.profile_mm)
        self.drill = convex_profile(drill_profile(shape, drills))
        self.platform = convex_profile(shape.profile_mm, to_mm=PLATFORM_LEVEL_MM)
        profiles = np.vstack([self.fixture, self.drill])
        self.middle = float(profiles[:, 0].max()) / 2.0
        self.radius = float(np.hypot(profiles[:, 0] - self.middle, profiles[:, 1]).max())

    def profile(self, body: str) -> FloatArray:
        return self.drill if body == DRILL else self.fixture


@frozen(eq=False)
class _Distance:
    mm: float
    on_fixture: FloatArray
    on_obstacle: FloatArray
    passing: Passing | None = None


def _closed(surface: Surface) -> bool:
    t = surface.triangles.astype(np.int64)
    edges = np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    _, counts = np.unique(edges[:, 0] * len(surface.points_mm) + edges[:, 1], return_counts=True)
    return bool((counts == 2).all())


class _SurfaceTarget:
    """A triangle surface with its tree and the triangle last found for each body."""

    def __init__(self, obstacle: Obstacle, surface: Surface) -> None:
        self.inside = obstacle.inside
        self.tree = TriangleTree.of(surface)
        self.closed = _closed(surface)
        self.last: dict[tuple[str, str], int] = {}
        self.middle: dict[tuple[str, str], tuple[FloatArray, float]] = {}

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> _Distance | None:
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
        return _Distance(float(best), on_fixture, near)

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


class _TubeTarget:
    def __init__(self, tube: Tube) -> None:
        self.path = np.array(tube.path_lps_mm)
        self.radius = np.array(tube.radius_mm)

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> _Distance:
        on_fixture, on_tube, where = np.empty(3), np.empty(3), np.empty(2)
        value = solid_tube(profile, frame[0], frame[1], self.path, self.radius, on_fixture, on_tube, where)
        passing = None
        if key[1] == DRILL and len(self.path) > 1:
            passing = self._passing(profile, frame[1], on_fixture, on_tube, int(where[0]), float(where[1]))
        return _Distance(float(value), on_fixture, on_tube, passing)

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


class _SolidTarget:
    def __init__(self, solid: Revolution, kind: ObstacleKind) -> None:
        self.whole = convex_profile(solid.profile_mm)
        self.platform = convex_profile(solid.profile_mm, to_mm=float(solid.profile_mm[0, 0]) + PLATFORM_LEVEL_MM)
        self.at_platform = kind == ObstacleKind.FIXTURE
        self.frame = (np.array(solid.origin_lps_mm), np.array(solid.axis_lps))

    def distance(self, key: tuple[str, str], profile: FloatArray, frame: FixtureFrame) -> _Distance:
        if self.at_platform and key[1] == FIXTURE:
            near = convex_profile(profile, to_mm=PLATFORM_LEVEL_MM)
            return between_solids(near, frame, self.platform, self.frame)
        return between_solids(profile, frame, self.whole, self.frame)


def nearest_on_solid(profile: FloatArray, origin: FloatArray, axis: FloatArray, point: FloatArray) -> FloatArray:
    """Give the point of a solid's surface nearest to a point, shape (3,)."""
    gradient = np.empty(3)
    value = solid_point(profile, origin, axis, point, gradient)
    return np.asarray(point - value * gradient)


def between_solids(pa: FloatArray, a: FixtureFrame, pb: FloatArray, b: FixtureFrame) -> _Distance:
    """Give the signed distance of two solids of revolution with their nearest points."""
    on_a, on_b = np.empty(3), np.empty(3)
    value = solid_solid(pa, a[0], a[1], pb, b[0], b[1], BALL, on_a, on_b)
    return _Distance(float(value), on_a, on_b)


def _target(obstacle: Obstacle) -> _SurfaceTarget | _TubeTarget | _SolidTarget:
    geometry = obstacle.geometry
    if isinstance(geometry, Tube):
        return _TubeTarget(geometry)
    if isinstance(geometry, Revolution):
        return _SolidTarget(geometry, obstacle.kind)
    return _SurfaceTarget(obstacle, geometry)


_ALWAYS = frozenset(
    {ObstacleKind.CANAL, ObstacleKind.BONE_SURFACE, ObstacleKind.SINUS_FLOOR, ObstacleKind.NASAL_FLOOR}
)
"""Kinds that have a row however far they are."""


@frozen(eq=False)
class _Remembered:
    fixture: PlacedFixture
    rows: tuple[LedgerRow, ...]


class LiveLedger:
    """A ledger prepared for dragging: trees are built once, and fixtures that did not move keep their rows.

    Parameters
    ----------
    obstacles : iterable of Obstacle
    drills : DrillList or mapping of site to DrillList, optional
        For the drill's diameter and overshoot; without one the drill is `DRILL_NARROWER_MM` narrower than the
        fixture and its overshoot unknown.
    limits_margin_mm : mapping, optional
        The user's own margins by kind.
    """

    def __init__(
        self,
        obstacles: Iterable[Obstacle],
        *,
        drills: DrillList | Mapping[str, DrillList] | None = None,
        limits_margin_mm: Mapping[str, float] | None = None,
    ) -> None:
        self.obstacles = tuple(obstacles)
        self._targets = tuple(_target(obstacle) for obstacle in self.obstacles)
        self._drills = drills
        self._margins: dict[tuple[ObstacleKind, str], Margin] = {
            (kind, body): margin_for(kind, body, limits_margin_mm)
            for kind in ObstacleKind
            for body in (FIXTURE, DRILL)
        }
        self._bodies: dict[tuple[int, str], tuple[FixtureShape, _Bodies]] = {}
        self._remembered: dict[str, _Remembered] = {}
        self._pairs: dict[tuple[str, str], tuple[PlacedFixture, PlacedFixture, tuple[LedgerRow, ...]]] = {}

    def rows(self, fixtures: Mapping[str, PlacedFixture]) -> tuple[LedgerRow, ...]:
        """Give the rows of all fixtures as they stand now."""
        found: dict[str, list[LedgerRow]] = {}
        for site, fixture in fixtures.items():
            kept = self._remembered.get(site)
            if kept is None or kept.fixture is not fixture:
                kept = _Remembered(fixture, tuple(self._static_rows(site, fixture)))
                self._remembered[site] = kept
            found[site] = list(kept.rows)
        self._pair_rows(fixtures, found)
        for rows in found.values():
            rows.sort(key=lambda row: row.distance_mm - row.margin_mm)
        return tuple(row for rows in found.values() for row in rows)

    def bodies(self, site: str, shape: FixtureShape) -> _Bodies:
        """Give the solids of a shape at a site."""
        key = (id(shape), site if isinstance(self._drills, Mapping) else "")
        if key not in self._bodies:
            drills = self._drills.get(site) if isinstance(self._drills, Mapping) else self._drills
            self._bodies[key] = (shape, _Bodies(shape, drills))
        return self._bodies[key][1]

    def signed_to(self, index: int, point_lps_mm: FloatArray) -> float:
        """Give the signed distance of a point to a triangle-surface obstacle (negative behind its normals)."""
        target = self._targets[index]
        if not isinstance(target, _SurfaceTarget):
            raise TypeError("Only a triangle surface has an inside.")
        return target.signed(point_lps_mm)

    def _static_rows(self, site: str, fixture: PlacedFixture) -> Iterable[LedgerRow]:
        bodies = self.bodies(site, fixture.shape)
        frame = _frame(fixture)
        for index, (obstacle, target) in enumerate(zip(self.obstacles, self._targets, strict=True)):
            for body in (FIXTURE, DRILL):
                distance = target.distance((site, body), bodies.profile(body), frame)
                if distance is None or (distance.mm > REACH_MM and obstacle.kind not in _ALWAYS):
                    continue
                yield self._row(
                    site, obstacle.kind, obstacle.name, body, distance, fixture,
                    obstacle.sigma_at(distance.on_obstacle), index,
                )  # fmt: skip

    def _pair_rows(self, fixtures: Mapping[str, PlacedFixture], found: dict[str, list[LedgerRow]]) -> None:
        sites = list(fixtures)
        for i, a in enumerate(sites):
            for b in sites[i + 1 :]:
                kept = self._pairs.get((a, b))
                if kept is None or kept[0] is not fixtures[a] or kept[1] is not fixtures[b]:
                    kept = (fixtures[a], fixtures[b], self._pair(fixtures[a], fixtures[b], a, b))
                    self._pairs[a, b] = kept
                for row in kept[2]:
                    found[row.site].append(row)

    def _pair(self, one: PlacedFixture, two: PlacedFixture, a: str, b: str) -> tuple[LedgerRow, ...]:
        """Give the rows of two planned fixtures: at platform level, and what their drills reach."""
        body_a, body_b = self.bodies(a, one.shape), self.bodies(b, two.shape)
        frame_a, frame_b = _frame(one), _frame(two)
        between = frame_a[0] + body_a.middle * frame_a[1] - frame_b[0] - body_b.middle * frame_b[1]
        if float(np.sqrt(between @ between)) - body_a.radius - body_b.radius > REACH_MM:
            return ()
        level = between_solids(body_a.platform, frame_a, body_b.platform, frame_b)
        drills = between_solids(body_a.drill, frame_a, body_b.drill, frame_b)
        drill_a = min(between_solids(body_a.drill, frame_a, body_b.fixture, frame_b), drills, key=_mm)
        drill_b = min(between_solids(body_b.drill, frame_b, body_a.fixture, frame_a), _turned(drills), key=_mm)
        rows = []
        for site, other, fixture, platform, drill in (
            (a, b, one, level, drill_a),
            (b, a, two, _turned(level), drill_b),
        ):
            if platform.mm <= REACH_MM:
                rows.append(self._row(site, ObstacleKind.FIXTURE, f"fixture {other}", FIXTURE, platform, fixture))
            if drill.mm <= REACH_MM:
                name = f"fixture or drill {other}"
                rows.append(self._row(site, ObstacleKind.FIXTURE, name, DRILL, drill, fixture))
        return tuple(rows)

    def _row(
        self,
        site: str,
        kind: ObstacleKind,
        name: str,
        body: str,
        distance: _Distance,
        fixture: PlacedFixture,
        sigma_mm: float = 0.0,
        index: int = -1,
    ) -> LedgerRow:
        margin = self._margins[kind, body]
        pose = fixture.pose
        return LedgerRow(
            site,
            kind,
            name,
            body,
            distance.mm,
            margin.value_mm,
            margin.source,
            state_of(distance.mm, margin.value_mm),
            distance.on_fixture,
            distance.on_obstacle,
            sigma_mm,
            float((distance.on_fixture - pose.platform_lps_mm) @ pose.axis_lps),
            margin.mark,
            margin.convention,
            index,
            distance.passing,
        )


def _frame(fixture: PlacedFixture) -> FixtureFrame:
    # The kernels are compiled for writable arrays; the pose's are read-only.
    return np.array(fixture.pose.platform_lps_mm), np.array(fixture.pose.axis_lps)


def _mm(distance: _Distance) -> float:
    return distance.mm


def _turned(distance: _Distance) -> _Distance:
    return _Distance(distance.mm, distance.on_obstacle, distance.on_fixture)


def ledger(
    fixtures: Mapping[str, PlacedFixture],
    obstacles: Iterable[Obstacle],
    *,
    drills: DrillList | Mapping[str, DrillList] | None = None,
    limits_margin_mm: Mapping[str, float] | None = None,
) -> Ledger:
    """Give the clearances of all fixtures to all obstacles and to each other.

    Parameters
    ----------
    fixtures : mapping of site to PlacedFixture
    obstacles : iterable of Obstacle
    drills : DrillList or mapping of site to DrillList, optional
    limits_margin_mm : mapping of obstacle kind value to mm, optional
        The user's own margins.
    """
    live = LiveLedger(obstacles, drills=drills, limits_margin_mm=limits_margin_mm)
    return Ledger(live.rows(fixtures))
