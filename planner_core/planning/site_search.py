"""Poses of a fixture under a planned tooth: the axes in which they are searched, and how they are judged.

The fixture's axis is described by where it passes the crest (two numbers), where it leaves the crown (two) and how
deep the platform stands. A pose is judged by its slack to every margin and its leeway over need.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray, angle_between_deg, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.crowns import EXIT_SHARE, PlannedTooth
from planner_core.planning.error_budget import SiteBudget, site_budget
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.gathered import displacements, gathered
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS, Displacements, harm_rows, harm_table
from planner_core.planning.ledger import LedgerRow, LiveLedger
from planner_core.planning.obstacles import Obstacle
from planner_core.planning.rays import hits_mm, near_part
from planner_core.planning.search_parts import Levels, sides_of, with_other_walls, within_reach

ENTRY_REACH_MM = 2.5
"""How far from the ridge's middle the platform may be placed, mm (our choice)."""

DEPTHS_MM = (-0.5, 2.5)
"""Platform below the crest, from and to, mm (our choice)."""

ENOUGH = 3.0
"""Leeway over need beyond which more is not worth leaving the middle for (our choice)."""

CENTRING = 0.004
"""What a millimetre off the middle, squared, costs in leeway over need (our choice: decides between equals)."""

TILT_LIMIT_DEG = 17.0
"""Most that a fixture may lean off its crown's axis: what the usual angled abutment corrects (trade, M)."""

WITHOUT_BONE_MM = 3.0
"""Platform under the planned gingival margin where no bone surface is known, mm (common practice, no source)."""

LEAN_MM_PER_DEG = 0.2
"""What a degree over the limit weighs against a margin, mm (our choice: about its reach at the apex)."""

FAR_OFF_MM = -0.4
"""A pose that misses a margin by more is climbed for its margins alone, and a shape whose best one does is not
searched further, mm (our choice)."""

KEPT_FROM_MM = 0.004
"""Slack from which a margin is surely kept, mm: the search looks at parts of the surfaces and can find a clearance
about 0.001 mm larger than the exact ledger does (seen in tests.studies propose)."""


@frozen(eq=False)
class SearchFrame:
    """The axes in which a pose is searched.

    Five numbers: platform along the arch and to the face (mm from `crest_lps_mm`), exit along and to the face (mm
    from `exit_lps_mm`), platform depth below the crest (mm).
    """

    site: str
    crest_lps_mm: FloatArray
    exit_lps_mm: FloatArray
    along_lps: FloatArray
    facial_lps: FloatArray
    occlusal_lps: FloatArray
    exit_reach_mm: tuple[float, float]

    def pose(self, x: FloatArray) -> FixturePose:
        """Give the pose of five numbers."""
        entry = self.crest_lps_mm + x[0] * self.along_lps + x[1] * self.facial_lps
        leave = self.exit_lps_mm + x[2] * self.along_lps + x[3] * self.facial_lps
        axis = unit(entry - leave)
        return FixturePose(entry + x[4] * axis, axis)

    def lean_deg(self, pose: FixturePose) -> float:
        """Give the angle between a pose's axis and the crown's."""
        return angle_between_deg(-pose.axis_lps, self.occlusal_lps)

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Least and largest values of the five numbers."""
        a, f = (0.999 * reach for reach in self.exit_reach_mm)
        low = np.array([-ENTRY_REACH_MM, -ENTRY_REACH_MM, -a, -f, DEPTHS_MM[0]])
        high = np.array([ENTRY_REACH_MM, ENTRY_REACH_MM, a, f, DEPTHS_MM[1]])
        return low, high


def search_frame(tooth: PlannedTooth, bone: Surface | None) -> SearchFrame:
    """Give the search axes of a planned tooth over the bone.

    Raises
    ------
    PlannerError
        If there is no bone under the tooth.
    """
    exit_point, occlusal = tooth.exit_lps_mm, tooth.occlusal_lps
    reach = (EXIT_SHARE * tooth.mesiodistal_mm, EXIT_SHARE * tooth.faciolingual_mm)
    crest = tooth.cervical_lps_mm - WITHOUT_BONE_MM * occlusal
    if bone is not None:
        crest = _crest_under(tooth, bone)
    return SearchFrame(tooth.site, crest, exit_point, tooth.along_lps, tooth.facial_lps, occlusal, reach)


def _crest_under(tooth: PlannedTooth, bone: Surface) -> FloatArray:
    """Give the middle of the ridge's top under a tooth: where most of it stands highest across the ridge."""
    start = tooth.middle_lps_mm
    part = near_part(bone, tooth.cervical_lps_mm, 25.0)
    offsets = np.arange(-7.0, 7.01, 0.5)
    heights = np.full(len(offsets), -np.inf)
    if len(part.triangles):
        for k, offset in enumerate(offsets):
            met = hits_mm(part, start + offset * tooth.facial_lps, -tooth.occlusal_lps)
            met = met[met > -15.0]
            if len(met):
                heights[k] = -met[0]
    top = heights.max()
    if not np.isfinite(top) or -top > 40.0:
        raise PlannerError(f"There is no bone under tooth {tooth.site}.", "Choose another site, or mark the bone.")
    high = offsets[heights > top - 1.0]
    middle = float(high.mean())
    return start + middle * tooth.facial_lps + float(top) * tooth.occlusal_lps


class SiteSearch:
    """Judges poses of one shape at a site, fast and then exactly."""

    def __init__(
        self,
        frame: SearchFrame,
        obstacles: Sequence[Obstacle],
        guide: GuideInputs,
        match: PoseCovariance | None,
        others: Mapping[str, PlacedFixture],
        degradation: Any = None,
        limits_margin_mm: Mapping[str, float] | None = None,
    ) -> None:
        self.frame = frame
        self.guide, self.match, self.degradation = guide, match, degradation
        self._others = others
        self._live = LiveLedger(obstacles, drills=guide.drills, limits_margin_mm=limits_margin_mm)
        near = [obstacle for obstacle in obstacles if within_reach(obstacle, frame.crest_lps_mm)]
        parts = [part for obstacle in near for part in sides_of(obstacle, frame.crest_lps_mm, frame.facial_lps)]
        self._parts = LiveLedger(parts, drills=guide.drills, limits_margin_mm=limits_margin_mm, looks_behind=False)
        self._levels = None if degradation is None else Levels(degradation, frame.crest_lps_mm)
        self._moved: dict[str, Displacements] = {}

    def fixture(self, shape: FixtureShape, x: FloatArray) -> PlacedFixture:
        """Give the fixture of five numbers."""
        return PlacedFixture(self.frame.site, shape, self.frame.pose(x))

    def rows(self, fixture: PlacedFixture) -> list[LedgerRow]:
        """Give the clearances of a fixture at this site."""
        every = self._live.rows({**self._others, fixture.site: fixture})
        return [row for row in every if row.site == fixture.site]

    def _rows_by_side(self, fixture: PlacedFixture) -> list[LedgerRow]:
        every = self._parts.rows({**self._others, fixture.site: fixture})
        return [row for row in every if row.site == fixture.site]

    def judge(self, shape: FixtureShape, places: Sequence[FloatArray] | FloatArray) -> list[Judged]:
        """Give slack and leeway over need of poses, row by row, with the spread of `spread_from`.

        Many at once, since the chances of harm then cost little more than those of one.
        """
        found: list[Judged] = []
        chosen: list[LedgerRow] = []
        owner: list[int] = []
        axes = []
        for x in places:
            fixture = self.fixture(shape, x)
            rows = self._rows_by_side(fixture)
            slack = {(row.obstacle, row.body): row.distance_mm - row.margin_mm for row in rows}
            slack["lean", ""] = LEAN_MM_PER_DEG * (TILT_LIMIT_DEG - self.frame.lean_deg(fixture.pose))
            found.append(Judged(slack, {}, x))
            axes.append(fixture.pose.axis_lps)
            # Margins come first; the leeway is looked at where they are nearly kept.
            if min(slack.values()) >= FAR_OFF_MM:
                at_risk = harm_rows(with_other_walls(rows, fixture.pose))
                chosen += at_risk
                owner += [len(found) - 1] * len(at_risk)
        if chosen:
            moved = self._spread(shape).along(np.array(axes))
            table = harm_table(moved, self.guide, chosen, np.array(owner), self._levels)
            ratios = (table.reaches.gap_mm / np.maximum(table.need_mm, 1e-6)).tolist()
            for row, pose, ratio in zip(chosen, owner, ratios, strict=True):
                if row.kind in COUNTED_KINDS:
                    found[pose].ratios[row.obstacle] = ratio
        return found

    def exact(self, fixture: PlacedFixture) -> tuple[list[LedgerRow], SiteBudget]:
        """Give clearances and budget of a fixture."""
        rows = self.rows(fixture)
        budget = site_budget(fixture, guide=self.guide, match=self.match, rows=rows, degradation=self.degradation)
        return rows, budget

    def spread_from(self, shape: FixtureShape, x: FloatArray) -> None:
        """Take the spread of this pose for all poses of a shape from now on: near it they differ little."""
        found = gathered({self.frame.site: self.fixture(shape, x)}, self.guide, self.match)
        self._moved[shape.shape_id] = displacements(found, self.guide)

    def _spread(self, shape: FixtureShape) -> Displacements:
        if shape.shape_id not in self._moved:
            low, high = self.frame.bounds
            self.spread_from(shape, 0.5 * (low + high))
        return self._moved[shape.shape_id]


def leeway_over_need(harms: Mapping[str, Sequence[Any]] | Sequence[Any]) -> float:
    """Give the smallest leeway over need among harms that count; inf when nothing is near."""
    members = [h for found in harms.values() for h in found] if isinstance(harms, Mapping) else list(harms)
    return min((h.leeway_mm / max(h.need_mm, 1e-6) for h in members if h.kind in COUNTED_KINDS), default=np.inf)


@frozen(eq=False)
class Judged:
    """A pose with its slacks (mm, by obstacle and body) and its leeways over need (by obstacle)."""

    slacks: dict[tuple[str, str], float]
    ratios: dict[str, float]
    x: FloatArray

    @property
    def slack_mm(self) -> float:
        """Smallest slack."""
        return min(self.slacks.values(), default=np.inf)

    @property
    def ratio(self) -> float:
        """Smallest leeway over need."""
        return min(self.ratios.values(), default=np.inf)

    @property
    def worth(self) -> float:
        """Margins first, then leeway over need up to enough, then the middle."""
        off = CENTRING * float(self.x @ self.x)
        if self.slack_mm < KEPT_FROM_MM:
            return 100.0 * max(self.slack_mm - KEPT_FROM_MM, -50.0) - off
        return min(self.ratio, ENOUGH) - off
