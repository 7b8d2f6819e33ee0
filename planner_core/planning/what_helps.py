"""What would make a site safer, each change worked out and ranked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, frozen

from planner_core.geometry.covariance import PoseCovariance
from planner_core.planning.carriers import carried
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import LiveLedger
from planner_core.planning.obstacles import Obstacle
from planner_core.planning.seating import BearingPlaces, Pin, typical_points
from planner_core.progress import Progress, silent

LONGER_SLEEVE_MM = 2.0
SHORTER_FIXTURE_MM = 2.0
NARROWER_FIXTURE_MM = 0.5
KNOWN_OVERSHOOT_MM = 0.5
"""Steps of the changes that are tried (our choice)."""


@frozen
class Help:
    """One change and what it does at a site."""

    key: str
    label: str
    chance_before: float
    chance_after: float
    apex_p95_before_mm: float
    apex_p95_after_mm: float
    note: str = ""

    @property
    def saved(self) -> float:
        """By how much the chance of harm falls (0..1); negative where it rises."""
        return self.chance_before - self.chance_after


@frozen(eq=False)
class _Change:
    key: str
    label: str
    guide: GuideInputs
    match: PoseCovariance | None
    fixture: PlacedFixture
    sigma_factor: float = 1.0
    """On how well the obstacles are known."""
    note: str = ""


def what_helps(
    site: str,
    fixtures: Mapping[str, PlacedFixture],
    obstacles: Sequence[Obstacle],
    *,
    guide: GuideInputs,
    match: PoseCovariance | None = None,
    marker_count: int | None = None,
    catalogue: Catalogue | None = None,
    supports: Iterable[Support] = (),
    places: Mapping[Support, BearingPlaces] | None = None,
    matches: Mapping[Support, PoseCovariance | None] | None = None,
    degradation: Any = None,
    limits_margin_mm: Mapping[str, float] | None = None,
    progress: Progress = silent,
) -> tuple[Help, ...]:
    """Give the changes open at a site, the one that lowers its chance of harm most first.

    Parameters
    ----------
    marker_count : int or None
        Markers that the match stands on; another one is tried where it is known.
    catalogue : Catalogue or None
        Where shorter and narrower fixtures come from.
    supports : iterable of Support
        Other supports open to this mouth (`choice.eligibility`).
    places, matches : mappings of Support
        Where a guide of each other support would bear, and which match it would stand on.
    """
    fixture = fixtures[site]
    now = _Change("now", "", guide, match, fixture)
    ledgers: list[tuple[object, LiveLedger]] = []

    def ledger_for(change: _Change) -> LiveLedger:
        """Give the ledger of a change; its trees take the time, and most changes leave the drills alone."""
        for drills, live in ledgers:
            if drills is change.guide.drills:
                return live
        made = LiveLedger(obstacles, drills=change.guide.drills, limits_margin_mm=limits_margin_mm)
        ledgers.append((change.guide.drills, made))
        return made

    def evaluate(change: _Change) -> SiteBudget:
        moved = {**fixtures, site: change.fixture}
        found = ledger_for(change).rows({site: change.fixture})
        rows = [evolve(row, sigma_mm=change.sigma_factor * row.sigma_mm) for row in found]
        return budgets(moved, guide=change.guide, match=change.match, rows=rows, degradation=degradation)[site]

    before = evaluate(now)
    changes = [
        *_of_match(now, marker_count),
        *_of_guide(now, site),
        *_of_support(now, fixtures, supports, places or {}, matches or {}),
        *_of_fixture(now, catalogue),
        *_of_knowledge(now, bool(obstacles)),
    ]
    found = []
    for k, change in enumerate(changes):
        progress(k / len(changes), f"Trying changes at {site}")
        after = evaluate(change)
        found.append(
            Help(
                change.key,
                change.label,
                before.chance_of_harm,
                after.chance_of_harm,
                before.apex.p95_mm,
                after.apex.p95_mm,
                change.note,
            )
        )
    return tuple(sorted(found, key=lambda h: (-h.saved, h.apex_p95_after_mm)))


def _of_match(now: _Change, marker_count: int | None) -> Iterable[_Change]:
    guided = now.guide.guided and now.guide.support in (Support.TEETH, Support.MUCOSA)
    if not guided or now.match is None or not marker_count:
        return
    share = marker_count / (marker_count + 1.0)
    better = evolve(now.match, covariance=now.match.covariance * share)
    yield evolve(
        now, key="marker", label="another marker, placed like the others", match=better,
        note=f"{marker_count} to {marker_count + 1} markers: variance times {share:.2f}",
    )  # fmt: skip


def _with_sleeve(now: _Change, site: str, sleeve: Sleeve) -> GuideInputs:
    return evolve(now.guide, sleeves={**now.guide.sleeves, site: sleeve})


def _of_guide(now: _Change, site: str) -> Iterable[_Change]:
    guide = now.guide
    if not guide.guided:
        return
    sleeve = guide.sleeve(site)
    longer = evolve(sleeve, height_mm=sleeve.height_mm + LONGER_SLEEVE_MM)
    yield evolve(
        now, key="longer sleeve", label=f"a sleeve longer by {LONGER_SLEEVE_MM:g} mm",
        guide=_with_sleeve(now, site, longer), note="needs a longer drill and more mouth opening",
    )  # fmt: skip
    if sleeve.clearance_mm > 0.05:
        tighter = evolve(sleeve, clearance_mm=sleeve.clearance_mm / 2.0)
        yield evolve(
            now, key="tighter sleeve", label=f"a sleeve with {tighter.clearance_mm:.2f} mm of play",
            guide=_with_sleeve(now, site, tighter),
        )  # fmt: skip
    if sleeve.gap_mm >= 2.0:
        nearer = evolve(sleeve, gap_mm=sleeve.gap_mm - 1.0)
        yield evolve(
            now,
            key="nearer sleeve",
            label="a sleeve 1 mm nearer to the bone",
            guide=_with_sleeve(now, site, nearer),
        )
    yield evolve(now, key="pin", label="another pin", guide=evolve(guide, pins=(*guide.pins, _next_pin(now))))
    if guide.free_end_mm.get(site, 0.0) > 0.0:
        yield evolve(now, key="thicker wall", label="a wall thicker by 1 mm",
                     guide=evolve(guide, wall_mm=guide.wall_mm + 1.0))  # fmt: skip
    if guide.guidance != Guidance.FULL:
        yield evolve(now, key="full guidance", label="guide all drills and the fixture",
                     guide=evolve(guide, guidance=Guidance.FULL, guidance_extra=None))  # fmt: skip


def _next_pin(now: _Change) -> Pin:
    """Give one more pin on the ring of a typical guide, away from those there are."""
    pose = now.fixture.pose
    guide = now.guide
    points = [c.point_lps_mm for c in guide.contacts]
    if not points and guide.places is not None and guide.bearings_known:
        points = list(guide.places.points_lps_mm)
    centre = np.mean(points, axis=0) if points else pose.at_depth(-4.0)
    ring = typical_points(centre, -pose.axis_lps)
    point = ring[(2 * len(now.guide.pins)) % len(ring)]
    return Pin(point, point - centre)


def _of_support(
    now: _Change,
    fixtures: Mapping[str, PlacedFixture],
    supports: Iterable[Support],
    places: Mapping[Support, BearingPlaces],
    matches: Mapping[Support, PoseCovariance | None],
) -> Iterable[_Change]:
    for support in supports:
        if support not in (now.guide.support, Support.NONE) and now.guide.guided:
            other = carried(now.guide, support, fixtures, places)
            yield evolve(
                now, key=f"{support.value} support", label=f"a guide carried by {support.value}", guide=other,
                match=matches.get(support), note="" if other.bearings_known else "a typical guide is assumed",
            )  # fmt: skip


def _of_fixture(now: _Change, catalogue: Catalogue | None) -> Iterable[_Change]:
    if catalogue is None:
        return
    shape = now.fixture.shape
    family = shape.shape_id.rsplit("-", 1)[0]
    kin = [s for s in catalogue.fixtures.values() if s.shape_id.rsplit("-", 1)[0] == family]
    for key, label, members in (
        (
            "shorter fixture",
            "a shorter fixture",
            [s for s in kin if s.diameter_mm == shape.diameter_mm and s.length_mm < shape.length_mm],
        ),
        (
            "narrower fixture",
            "a narrower fixture",
            [s for s in kin if s.length_mm == shape.length_mm and s.diameter_mm < shape.diameter_mm],
        ),
    ):
        wanted = (shape.length_mm - SHORTER_FIXTURE_MM, shape.diameter_mm - NARROWER_FIXTURE_MM)
        nearest = min(
            members, key=lambda s: min(abs(s.length_mm - wanted[0]), abs(s.diameter_mm - wanted[1])), default=None
        )
        if nearest is not None:
            fixture = evolve(now.fixture, shape=nearest)
            yield evolve(now, key=key, label=f"{label}: {nearest.label}", fixture=fixture)


def _of_knowledge(now: _Change, any_obstacle: bool) -> Iterable[_Change]:
    drills = now.guide.drills
    if drills is None or drills.tip_overshoot_mm is None:
        known = evolve(drills, tip_overshoot_mm=KNOWN_OVERSHOOT_MM) if drills else _plain_drills(now)
        yield evolve(
            now, key="tip length", label="enter the drill tip's length",
            guide=evolve(now.guide, drills=known), note=f"worked out for a tip of {KNOWN_OVERSHOOT_MM:g} mm",
        )  # fmt: skip
    if any_obstacle:
        yield evolve(now, key="clearer scan", label="know the obstacles twice as well", sigma_factor=0.5)


def _plain_drills(now: _Change) -> DrillList:
    from planner_core.planning.drilling import DrillStep
    from planner_core.planning.ledger import DRILL_NARROWER_MM

    diameter = now.fixture.shape.diameter_mm - DRILL_NARROWER_MM
    return DrillList("assumed", (DrillStep("last drill", diameter),), tip_overshoot_mm=KNOWN_OVERSHOOT_MM)
