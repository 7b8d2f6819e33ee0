"""A proposal for a site: the pose that respects tooth and margins and leaves the most leeway over need.

Each shape that suits the tooth is placed by `pose_search`: first to keep every margin, then for the largest ratio
of leeway to need (the leeway at which the chance of harm equals its limit). The same case gives the same proposal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from attrs import evolve, frozen

from planner_core.anatomy.structures import ArchCurve
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import Catalogue, generic_catalogue
from planner_core.planning.crowns import PlannedTooth, average_station_mm, tooth_at
from planner_core.planning.emergence import screw_exit
from planner_core.planning.error_budget import SiteBudget
from planner_core.planning.fixture import FixtureShape, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import LedgerRow
from planner_core.planning.obstacles import Obstacle, ObstacleKind
from planner_core.planning.pose_search import best_pose, deeper_pose
from planner_core.planning.site_search import Judged, SiteSearch, leeway_over_need, search_frame
from planner_core.progress import Progress, silent

PREFERRED_DIAMETER_MM = {"1": 3.5, "2": 3.0, "3": 4.0, "4": 4.0, "5": 4.0, "6": 4.5, "7": 4.5, "8": 4.5}
"""Diameter first tried, by tooth (common practice, no source; lower incisors take 3.0)."""

LENGTHS_MM = (10.0, 8.0)
"""Usual and short (our choice)."""

FIRST_TRIES = 3
"""Shapes always tried; the further ones only while none of them fits (our choice)."""


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
    rest = {key: fixture for key, fixture in (others or {}).items() if key != site}
    search = SiteSearch(frame, obstacles, inputs, match, rest, degradation, limits_margin_mm)
    shapes = shapes_to_try(site, catalogue or generic_catalogue(), family)
    found: list[Suggestion] = []
    poses: dict[str, Judged] = {}
    for k, shape in enumerate(shapes):
        if k >= FIRST_TRIES and any(s.keeps_margins and s.leeway_over_need >= 1.0 for s in found):
            break
        progress(k / len(shapes), f"Searching a place for {shape.label}")
        before = max(poses.values(), key=lambda j: j.worth, default=None)
        poses[shape.shape_id] = best_pose(search, shape, before)
        found.append(_suggestion(search, tooth, search.fixture(shape, poses[shape.shape_id].x)))
    first = _ranked(found)[0].fixture.shape
    progress(len(shapes) / (len(shapes) + 1), f"Looking once more for {first.label}")
    better = deeper_pose(search, first, poses[first.shape_id])
    if better is not poses[first.shape_id]:
        place = next(k for k, s in enumerate(found) if s.fixture.shape is first)
        again = _suggestion(search, tooth, search.fixture(first, better.x))
        found[place] = max(found[place], again, key=_goodness)
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


def _goodness(suggestion: Suggestion) -> tuple[bool, float]:
    """Margins kept first, then the leeway; where they are not, how nearly."""
    keeps = suggestion.keeps_margins
    return keeps, suggestion.leeway_over_need if keeps else suggestion.slack_mm


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


def _price_of_the_best(best: Suggestion, others: Sequence[Suggestion]) -> str:
    """Say what the first one gives up against the others: leeway, if a smaller fixture would leave more."""
    roomiest = max(others, key=lambda s: s.leeway_over_need, default=None)
    if roomiest is None or not roomiest.keeps_margins or roomiest.leeway_over_need < best.leeway_over_need + 0.05:
        return "Gives up nothing against the others."
    more = (
        "no obstacle near" if roomiest.leeway_over_need > 99 else f"{roomiest.leeway_over_need:.2f} times the need"
    )
    return f"Gives up leeway: {best.leeway_over_need:.2f} times the need; {roomiest.label} has {more}."


def _with_price(suggestion: Suggestion, ordered: Sequence[Suggestion]) -> Suggestion:
    best = ordered[0]
    if suggestion is best:
        return evolve(suggestion, gives_up=_price_of_the_best(best, ordered[1:]))
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
