"""A proposal for a site: the pose that respects tooth and margins and leaves the most leeway over need.

The fixture's axis is described by where it passes the crest (two numbers), where it leaves the crown (two) and how
deep the platform stands. A coarse grid and then a compass search with shrinking steps look for the pose that first
keeps every margin and then has the largest ratio of leeway to need (the leeway at which the chance of harm equals
its limit) over all obstacles. No random numbers: the same case gives the same proposal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import frozen

from planner_core.anatomy.structures import ArchCurve
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray, angle_between_deg, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import Catalogue, generic_catalogue
from planner_core.planning.crowns import EXIT_SHARE, PlannedTooth, average_station_mm, screw_exit, tooth_at
from planner_core.planning.error_budget import SiteBudget, site_budget
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS, Displacements, harms_of
from planner_core.planning.ledger import LedgerRow, LiveLedger
from planner_core.planning.obstacles import Obstacle, ObstacleKind
from planner_core.planning.rays import hits_mm
from planner_core.progress import Progress, silent

PREFERRED_DIAMETER_MM = {"1": 3.5, "2": 3.0, "3": 4.0, "4": 4.0, "5": 4.0, "6": 4.5, "7": 4.5, "8": 4.5}
"""Diameter first tried, by tooth (common practice, no source; lower incisors take 3.0)."""

LENGTHS_MM = (10.0, 8.0)
"""Usual and short (our choice)."""

FIRST_TRIES = 3
"""Shapes always tried; the further ones only while none of them fits (our choice)."""

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

STEPS_MM = (0.8, 0.4, 0.2, 0.1, 0.05)
"""Steps of the compass search, mm."""

WITHOUT_BONE_MM = 3.0
"""Platform under the planned gingival margin where no bone surface is known, mm (common practice, no source)."""


@frozen(eq=False)
class Suggestion:
    """One proposed fixture and what speaks for and against it.

    Parameters
    ----------
    leeway_over_need : float
        Smallest ratio over the obstacles that count; at least 1 keeps every limit. inf with nothing near.
    slack_mm : float
        Smallest distance less margin; below zero a margin is broken.
    broken : tuple of str
        Margins that are not kept, in words.
    gives_up : str
        What this one gives up against the others.
    """

    fixture: PlacedFixture
    label: str
    leeway_over_need: float
    slack_mm: float
    broken: tuple[str, ...]
    budget: SiteBudget
    rows: tuple[LedgerRow, ...]
    exit_text: str
    gives_up: str = ""

    @property
    def keeps_margins(self) -> bool:
        """Whether no margin is broken."""
        return not self.broken


@frozen(eq=False)
class Proposal:
    """Suggestions for a site, the best first."""

    site: str
    suggestions: tuple[Suggestion, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def best(self) -> Suggestion:
        """The first suggestion."""
        return self.suggestions[0]


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
    near = np.linalg.norm(bone.points_mm - tooth.cervical_lps_mm, axis=1) < 25.0
    part = Surface(bone.points_mm, bone.triangles[near[bone.triangles].any(axis=1)], bone.frame)
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
        live: LiveLedger,
        guide: GuideInputs,
        match: PoseCovariance | None,
        others: Mapping[str, PlacedFixture],
        degradation: Any,
    ) -> None:
        self.frame = frame
        self.guide, self.match, self.degradation = guide, match, degradation
        self._live, self._others = live, others
        self._moved: dict[str, Displacements] = {}

    def fixture(self, shape: FixtureShape, x: FloatArray) -> PlacedFixture:
        """Give the fixture of five numbers."""
        return PlacedFixture(self.frame.site, shape, self.frame.pose(x))

    def rows(self, fixture: PlacedFixture) -> list[LedgerRow]:
        """Give the clearances of a fixture at this site."""
        every = self._live.rows({**self._others, fixture.site: fixture})
        return [row for row in every if row.site == fixture.site]

    def judge(self, shape: FixtureShape, x: FloatArray) -> tuple[float, float]:
        """Give (slack mm, leeway over need) of a pose, with the spread of the shape's first pose."""
        fixture = self.fixture(shape, x)
        rows = self.rows(fixture)
        slack = min((row.distance_mm - row.margin_mm for row in rows), default=np.inf)
        lean = self.frame.lean_deg(fixture.pose)
        if lean > TILT_LIMIT_DEG:
            slack = min(slack, 0.0) - 0.2 * (lean - TILT_LIMIT_DEG)
        if slack < 0.0:
            return slack, 0.0  # Margins come first; the leeway is not looked at until they are kept.
        return slack, leeway_over_need(harms_of(self._spread(fixture), self.guide, rows, self.degradation))

    def exact(self, fixture: PlacedFixture) -> tuple[list[LedgerRow], SiteBudget]:
        """Give clearances and budget of a fixture."""
        rows = self.rows(fixture)
        budget = site_budget(fixture, guide=self.guide, match=self.match, rows=rows, degradation=self.degradation)
        return rows, budget

    def _spread(self, fixture: PlacedFixture) -> Displacements:
        key = fixture.shape.shape_id
        if key not in self._moved:
            budget = site_budget(fixture, guide=self.guide, match=self.match)
            moved = budget.displacement
            from planner_core.planning.error_budget import blunder_covariance

            self._moved[key] = Displacements(
                (fixture.site,),
                np.array([fixture.pose.axis_lps]),
                np.array([moved.covariance if moved is not None else np.zeros((6, 6))]),
                np.array([moved.mean if moved is not None else np.zeros(6)]),
                np.array([blunder_covariance(self.guide, fixture)]),
                self.guide.value("blunder_share"),
            )
        known = self._moved[key]
        return Displacements(
            known.sites, np.array([fixture.pose.axis_lps]), known.covariance, known.mean, known.blunder,
            known.blunder_share,
        )  # fmt: skip


def leeway_over_need(harms: Mapping[str, Sequence[Any]] | Sequence[Any]) -> float:
    """Give the smallest leeway over need among harms that count; inf when nothing is near."""
    members = [h for found in harms.values() for h in found] if isinstance(harms, Mapping) else list(harms)
    return min((h.leeway_mm / max(h.need_mm, 1e-6) for h in members if h.kind in COUNTED_KINDS), default=np.inf)


def worth(slack_mm: float, ratio: float, x: FloatArray) -> float:
    """Give what a pose is worth: margins first, then leeway over need up to enough, then the middle."""
    off = CENTRING * float(x @ x)
    if slack_mm < 0.0:
        return 100.0 * max(slack_mm, -50.0) + min(ratio, ENOUGH) - off
    return min(ratio, ENOUGH) - off


def best_pose(search: SiteSearch, shape: FixtureShape) -> tuple[FloatArray, float, float]:
    """Search the best pose of a shape; gives the five numbers, slack and leeway over need."""
    low, high = search.frame.bounds

    def value(x: FloatArray) -> tuple[float, float, float]:
        slack, ratio = search.judge(shape, x)
        return worth(slack, ratio, x), slack, ratio

    starts = [
        np.array([0.0, f, 0.0, e, d])
        for f in (-1.2, 0.0, 1.2)
        for e in (-0.7 * high[3], 0.0, 0.7 * high[3])
        for d in (0.3, 1.5)
    ]
    ranked = sorted(((*value(np.clip(x, low, high)), k) for k, x in enumerate(starts)), key=lambda r: (-r[0], r[3]))
    best: tuple[float, float, float, FloatArray] | None = None
    for _, _, _, k in ranked[:1] if ranked[0][1] < -1.5 else ranked[:2]:
        x = np.clip(starts[k], low, high)
        now = value(x)
        for step in STEPS_MM:
            x, now = _compass(value, x, now, step, low, high)
        if best is None or now[0] > best[0]:
            best = (*now, x)
    assert best is not None
    return best[3], best[1], best[2]


_DIRECTIONS = np.array(
    [s * np.eye(5)[k] for k in range(5) for s in (1.0, -1.0)]
    # Upright shifts, and turns about the platform's middle: the ways in which a hand moves a fixture.
    + [s * np.array([1.0, 0, 1.0, 0, 0]) for s in (1.0, -1.0)]
    + [s * np.array([0, 1.0, 0, 1.0, 0]) for s in (1.0, -1.0)]
    + [s * np.array([0, 1.0, 0, -1.0, 0]) for s in (1.0, -1.0)]
    + [s * np.array([1.0, 0, -1.0, 0, 0]) for s in (1.0, -1.0)]
)


def _compass(
    value: Any,
    x: FloatArray,
    now: tuple[float, float, float],
    step: float,
    low: FloatArray,
    high: FloatArray,
) -> tuple[FloatArray, tuple[float, float, float]]:
    """Walk to better poses by one step size until no direction is better."""
    for _ in range(12):
        improved = False
        for direction in _DIRECTIONS:
            trial = np.clip(x + step * direction, low, high)
            if np.array_equal(trial, x):
                continue
            there = value(trial)
            if there[0] > now[0] + 1e-6:
                x, now, improved = trial, there, True
        if not improved:
            break
    return x, now


def shapes_to_try(site: str, catalogue: Catalogue, family: str) -> list[FixtureShape]:
    """Give the shapes tried at a site, the most wanted first; after `FIRST_TRIES` only while none fits."""
    wanted = 3.0 if site in ("31", "32", "41", "42") else PREFERRED_DIAMETER_MM[site[1]]
    usual, short = LENGTHS_MM
    tries = [(wanted, usual), (wanted, short), (wanted - 0.5, usual)]
    tries += [(wanted - 0.5, short), (wanted - 1.0, usual), (wanted, 6.0), (wanted - 0.5, 6.0)]
    found: list[FixtureShape] = []
    for diameter, length in tries:
        shape = catalogue.nearest_fixture(max(diameter, 3.0), length, family)
        if shape not in found:
            found.append(shape)
    return found


def propose(
    site: str,
    *,
    tooth: PlannedTooth | None = None,
    arch: ArchCurve | None = None,
    obstacles: Sequence[Obstacle],
    guide: GuideInputs | None = None,
    match: PoseCovariance | None = None,
    others: Mapping[str, PlacedFixture] | None = None,
    catalogue: Catalogue | None = None,
    family: str = "generic-tapered",
    limits_margin_mm: Mapping[str, float] | None = None,
    degradation: Any = None,
    progress: Progress = silent,
) -> Proposal:
    """Propose fixtures for a site.

    Parameters
    ----------
    tooth : PlannedTooth or None
        The planned crown; None = an average one at its average station of `arch`.
    obstacles : sequence of Obstacle
        With the bone surface among them (else the platform is set under the planned gingiva).
    others : mapping of site to PlacedFixture
        The other fixtures; they stay.
    family : str
        Start of the shapes' ids in the catalogue.

    Raises
    ------
    PlannerError
        If there is neither tooth nor arch, or no bone under the tooth.
    """
    if tooth is None:
        if arch is None:
            raise PlannerError(f"Site {site} has no planned tooth and no arch.", "Draw the arch first.")
        tooth = tooth_at(arch, site, average_station_mm(site))
    inputs = guide or GuideInputs()
    bone = next((o for o in obstacles if o.kind == ObstacleKind.BONE_SURFACE), None)
    surface = bone.geometry if bone is not None and isinstance(bone.geometry, Surface) else None
    frame = search_frame(tooth, surface)
    live = LiveLedger(obstacles, drills=inputs.drills, limits_margin_mm=limits_margin_mm)
    rest = {key: fixture for key, fixture in (others or {}).items() if key != site}
    search = SiteSearch(frame, live, inputs, match, rest, degradation)
    shapes = shapes_to_try(site, catalogue or generic_catalogue(), family)
    found: list[Suggestion] = []
    for k, shape in enumerate(shapes):
        if k >= FIRST_TRIES and any(s.keeps_margins and s.leeway_over_need >= 1.0 for s in found):
            break
        progress(k / len(shapes), f"Searching a place for {shape.label}")
        x, _, _ = best_pose(search, shape)
        found.append(_suggestion(search, tooth, search.fixture(shape, x)))
    progress(1.0, "")
    ordered = _ranked(found)
    return Proposal(site, ordered, tuple(_findings(site, ordered, bone is not None)))


def _suggestion(search: SiteSearch, tooth: PlannedTooth, fixture: PlacedFixture) -> Suggestion:
    rows, budget = search.exact(fixture)
    broken = tuple(
        f"{row.obstacle}: {row.distance_mm:.1f} mm instead of {row.margin_mm:.1f} ({row.body})"
        for row in rows
        if row.distance_mm < row.margin_mm
    )
    return Suggestion(
        fixture,
        fixture.shape.label,
        leeway_over_need(budget.harms),
        min((row.distance_mm - row.margin_mm for row in rows), default=float("inf")),
        broken,
        budget,
        tuple(rows),
        screw_exit(fixture, tooth).text,
    )


def _ranked(found: Sequence[Suggestion]) -> tuple[Suggestion, ...]:
    """Order: margins and limits kept, as wanted; then margins kept, by leeway; then the least broken."""

    def rank(pair: tuple[int, Suggestion]) -> tuple[float, ...]:
        k, s = pair
        if s.keeps_margins and s.leeway_over_need >= 1.0:
            return (0.0, float(k))
        if s.keeps_margins:
            return (1.0, -s.leeway_over_need)
        return (2.0, -s.slack_mm)

    ordered = [s for _, s in sorted(enumerate(found), key=rank)][:3]
    return tuple(_with_price(s, ordered) for s in ordered)


def _with_price(suggestion: Suggestion, ordered: Sequence[Suggestion]) -> Suggestion:
    from attrs import evolve

    best = ordered[0]
    if suggestion is best:
        return suggestion
    parts = []
    shape, other = suggestion.fixture.shape, best.fixture.shape
    if shape.length_mm < other.length_mm:
        parts.append(f"{other.length_mm - shape.length_mm:.0f} mm of length")
    if shape.diameter_mm < other.diameter_mm:
        parts.append(f"{other.diameter_mm - shape.diameter_mm:.1f} mm of width")
    if suggestion.leeway_over_need < best.leeway_over_need - 0.01:
        parts.append(
            f"leeway ({suggestion.leeway_over_need:.2f} instead of {best.leeway_over_need:.2f} times the need)"
        )
    if suggestion.broken and not best.broken:
        parts.append(f"a margin: {suggestion.broken[0]}")
    gain = suggestion.leeway_over_need - best.leeway_over_need
    text = "Gives up " + ", ".join(parts) if parts else "Gives up nothing measured here"
    if gain > 0.01:
        text += f"; leaves {suggestion.leeway_over_need:.2f} instead of {best.leeway_over_need:.2f} times the need"
    return evolve(suggestion, gives_up=text + ".")


def _findings(site: str, ordered: Sequence[Suggestion], with_bone: bool) -> list[Finding]:
    best = ordered[0]
    found = []
    if not with_bone:
        found.append(
            Finding(
                Severity.WARNING, "no-bone-surface",
                "No bone surface is marked: the platform is set under the planned gingiva, bone is not checked.",
                site,
            )
        )  # fmt: skip
    if not best.keeps_margins:
        found.append(
            Finding(Severity.WARNING, "margin-broken", f"No place keeps every margin; {best.broken[0]}.", site)
        )
    outside = [r for r in best.rows if r.kind == ObstacleKind.BONE_SURFACE and r.distance_mm <= 0.0]
    if outside:
        found.append(
            Finding(
                Severity.WARNING, "outside-bone",
                f"The {outside[0].body} leaves the bone by {-outside[0].distance_mm:.1f} mm, "
                f"{outside[0].depth_mm:.1f} mm below the platform.", site,
            )
        )  # fmt: skip
    elif best.keeps_margins and best.leeway_over_need < 1.0:
        found.append(
            Finding(
                Severity.WARNING, "need-exceeds-leeway",
                f"The leeway is {best.leeway_over_need:.2f} times the need: the chance of harm is over its limit.",
                site,
            )
        )  # fmt: skip
    return found
