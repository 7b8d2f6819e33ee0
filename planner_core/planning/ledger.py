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
from planner_core.planning.drilling import DrillList
from planner_core.planning.fixture import FixtureShape, PlacedFixture
from planner_core.planning.margins import DRILL, FIXTURE, Margin, margin_for
from planner_core.planning.obstacles import Obstacle, ObstacleKind
from planner_core.planning.opposite_wall import OtherWall
from planner_core.planning.targets import (
    CREST_SKIP_MM,
    DRILL_NARROWER_MM,
    PERFORATION_FROM_MM,
    PLATFORM_LEVEL_MM,
    UNKNOWN_OVERSHOOT_MM,
    Bodies,
    Distance,
    FixtureFrame,
    Passing,
    SurfaceTarget,
    between_solids,
    drill_profile,
    nearest_on_solid,
    overshoot_mm,
    target_of,
)

__all__ = [
    "CREST_SKIP_MM",
    "DRILL_NARROWER_MM",
    "PERFORATION_FROM_MM",
    "PLATFORM_LEVEL_MM",
    "UNKNOWN_OVERSHOOT_MM",
    "Ledger",
    "LedgerRow",
    "LedgerState",
    "LiveLedger",
    "Passing",
    "between_solids",
    "drill_profile",
    "ledger",
    "nearest_on_solid",
    "overshoot_mm",
    "state_of",
]

REACH_MM = 15.0
"""Roots, fixtures and drawn structures further away than this have no row, mm (our choice)."""


class LedgerState(StrEnum):
    """A clearance in a word."""

    CLEAR = "clear"
    INSIDE_MARGIN = "inside margin"
    TOUCHES = "touches"


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
    other_wall: OtherWall | None = None
    """For the drill in bone: the wall on its other side."""


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
    looks_behind : bool
        Whether bone looks for the wall on a drill's other side.
    """

    def __init__(
        self,
        obstacles: Iterable[Obstacle],
        *,
        drills: DrillList | Mapping[str, DrillList] | None = None,
        limits_margin_mm: Mapping[str, float] | None = None,
        looks_behind: bool = True,
    ) -> None:
        self.obstacles = tuple(obstacles)
        self._targets = tuple(target_of(obstacle) for obstacle in self.obstacles)
        for target in self._targets:
            if isinstance(target, SurfaceTarget):
                target.looks_behind = looks_behind
        self._drills = drills
        self._margins: dict[tuple[ObstacleKind, str], Margin] = {
            (kind, body): margin_for(kind, body, limits_margin_mm)
            for kind in ObstacleKind
            for body in (FIXTURE, DRILL)
        }
        self._bodies: dict[tuple[int, str], tuple[FixtureShape, Bodies]] = {}
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

    def bodies(self, site: str, shape: FixtureShape) -> Bodies:
        """Give the solids of a shape at a site."""
        key = (id(shape), site if isinstance(self._drills, Mapping) else "")
        if key not in self._bodies:
            drills = self._drills.get(site) if isinstance(self._drills, Mapping) else self._drills
            self._bodies[key] = (shape, Bodies(shape, drills))
        return self._bodies[key][1]

    def gap_between_mm(self, a: str, one: PlacedFixture, b: str, two: PlacedFixture) -> float:
        """Give the distance (mm) of two planned fixtures at platform level."""
        body_a, body_b = self.bodies(a, one.shape), self.bodies(b, two.shape)
        return between_solids(body_a.platform, _frame(one), body_b.platform, _frame(two)).mm

    def platform_gap_mm(self, site: str, fixture: PlacedFixture, index: int) -> float | None:
        """Give the distance (mm) at platform level from a fixture to one obstacle."""
        profile = self.bodies(site, fixture.shape).platform
        found = self._targets[index].distance((site, "platform"), profile, _frame(fixture))
        return None if found is None else found.mm

    def signed_to(self, index: int, point_lps_mm: FloatArray) -> float:
        """Give the signed distance of a point to a triangle-surface obstacle (negative behind its normals)."""
        target = self._targets[index]
        if not isinstance(target, SurfaceTarget):
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
        distance: Distance,
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
            distance.other_wall,
        )


def _frame(fixture: PlacedFixture) -> FixtureFrame:
    # The kernels are compiled for writable arrays; the pose's are read-only.
    return np.array(fixture.pose.platform_lps_mm), np.array(fixture.pose.axis_lps)


def _mm(distance: Distance) -> float:
    return distance.mm


def _turned(distance: Distance) -> Distance:
    return Distance(distance.mm, distance.on_obstacle, distance.on_fixture)


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
