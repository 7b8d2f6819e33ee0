"""The drilling sheet as data: what is printed, before anyone decides how it looks.

Depths are along the fixture's axis. *Depth from the sleeve top* = sleeve height + gap + true fixture length. *Depth
from the crest* = true fixture length + how far the platform lies below the bone's edge on the axis. The tip of the
drill beyond its nominal depth is stated apart, never hidden in a depth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from attrs import field, frozen

from planner_core.findings import Finding, Severity
from planner_core.planning.drilling import DrillList, Sleeve
from planner_core.planning.fixture import PlacedFixture
from planner_core.protocol.budget_page import BudgetPage
from planner_core.protocol.sites import SiteName, site_name

CAUTIONS = (
    "This plan supports the judgement of a licensed clinician and does not replace it. It is not a cleared medical "
    "device.",
    "The whole scan volume must be read by a qualified person, not only the sites planned here.",
    "The manufacturers' drilling instructions and local rules come before this sheet.",
    "Compare patient, jaw, guide code and sites with the guide and the patient, aloud, before the first drill.",
    "Stop and take a radiograph if a drill stops early, goes deeper than planned, or the guide moves.",
)
"""Printed on every sheet (design, section 10)."""

SIGNATURE_ROLES = ("Planned by", "Checked by", "Used in surgery by")
"""Who signs."""

NEAR_MM = 15.0
"""Structures further away are not printed, mm (our choice; the attached data has all)."""

DRAFT, FINAL = "draft", "final"


@frozen
class Stamp:
    """Which state of which case this is."""

    revision: int | None = None
    sha256: str = ""
    """Hash of the revision, over its whole history."""
    time_utc: str = ""
    author: str = ""
    made_utc: str = ""
    """When the sheet was made; ISO 8601."""
    program: str = ""


@frozen
class DrillRow:
    """One drill as printed; depths in mm, None where they cannot be told."""

    step: int
    label: str
    diameter_mm: float
    from_sleeve_top_mm: float | None
    from_crest_mm: float | None
    speed_rpm: int | None
    guided: bool


@frozen
class ObstacleRow:
    """One clearance as printed; `chance` of reaching the obstacle, `leeway_mm` the error tolerated before it."""

    obstacle: str
    body: str
    distance_mm: float
    margin_mm: float
    source: str
    state: str
    leeway_mm: float | None = None
    chance: float | None = None


@frozen
class ErrorRow:
    """One planned-against-achieved error that stays below `p95` in 95 of 100 cases."""

    label: str
    p95: float
    unit: str
    mean: float | None = None


@frozen
class ShareRow:
    """What one source contributes to the error at the apex."""

    label: str
    share: float
    value: str
    source: str


@frozen
class FixturePage:
    """Everything that is printed for one fixture."""

    site: SiteName
    fixture: str
    diameter_mm: float
    length_mm: float
    generic: bool
    depth_from_sleeve_top_mm: float | None
    depth_from_crest_mm: float | None
    depth_basis: str
    """In words: what the depth is counted from and to."""
    sleeve: Sleeve | None
    drills: tuple[DrillRow, ...]
    drill_list: str
    drill_list_generic: bool
    tip_overshoot_mm: float | None
    obstacles: tuple[ObstacleRow, ...]
    errors: tuple[ErrorRow, ...]
    shares: tuple[ShareRow, ...]
    chance_of_harm: float | None = None
    harm_limit: float | None = None
    findings: tuple[Finding, ...] = ()
    tilt_words: str = ""


@frozen
class SheetContent:
    """The whole sheet."""

    title: str
    patient: tuple[tuple[str, str], ...]
    """(label, value) lines."""
    invented: bool
    jaw: str
    guide_code: str
    guide: tuple[tuple[str, str], ...]
    scan: tuple[tuple[str, str], ...]
    match: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]
    """Everything open; blockers make it a draft."""
    pages: tuple[FixturePage, ...]
    stamp: Stamp = Stamp()
    plan_json: str = ""
    cautions: tuple[str, ...] = CAUTIONS
    signatures: tuple[str, ...] = SIGNATURE_ROLES
    measurements: tuple[tuple[str, str], ...] = ()
    """(name, value with its 95 % interval) of what the user wants listed."""
    notes: str = ""
    budget: BudgetPage | None = None
    wanted: str = FINAL
    """What was asked for; `status` tells what it is."""

    @property
    def blockers(self) -> tuple[Finding, ...]:
        """What stands against a final sheet."""
        return tuple(f for f in self.findings if f.severity is Severity.BLOCKER)

    @property
    def warnings(self) -> tuple[Finding, ...]:
        """What is to be weighed."""
        return tuple(f for f in self.findings if f.severity is not Severity.BLOCKER)

    @property
    def status(self) -> str:
        """Whether it is a "draft" (a blocker stands, or a draft was asked for) or "final"."""
        return DRAFT if self.blockers or self.wanted == DRAFT or not self.pages else FINAL

    @property
    def sites(self) -> tuple[SiteName, ...]:
        """The sites in the order of their pages."""
        return tuple(page.site for page in self.pages)


@frozen
class SiteResults:
    """What was computed for one site and goes onto its page."""

    obstacles: tuple[ObstacleRow, ...] = ()
    errors: tuple[ErrorRow, ...] = ()
    shares: tuple[ShareRow, ...] = ()
    chance_of_harm: float | None = None
    findings: tuple[Finding, ...] = field(factory=tuple)


def fixture_page(
    fixture: PlacedFixture,
    sleeve: Sleeve | None,
    drills: DrillList | None,
    platform_below_crest_mm: float | None,
    results: SiteResults,
    harm_limit: float | None = None,
    tilt_words: str = "",
) -> FixturePage:
    """Give the page of one fixture.

    Parameters
    ----------
    platform_below_crest_mm : float or None
        How far the platform lies below the bone's edge along the axis (negative: above it); None without bone.
    """
    length = fixture.shape.length_mm
    from_crest = None if platform_below_crest_mm is None else length + platform_below_crest_mm
    from_top = None if sleeve is None else sleeve.drill_depth_mm(length)
    return FixturePage(
        site=site_name(fixture.site),
        fixture=fixture.shape.label,
        diameter_mm=fixture.shape.diameter_mm,
        length_mm=length,
        generic=fixture.shape.generic,
        depth_from_sleeve_top_mm=from_top,
        depth_from_crest_mm=from_crest,
        depth_basis=_basis(sleeve, length, platform_below_crest_mm),
        sleeve=sleeve,
        drills=() if drills is None else drill_rows(drills, sleeve, length, platform_below_crest_mm),
        drill_list="" if drills is None else drills.label,
        drill_list_generic=True if drills is None else drills.generic,
        tip_overshoot_mm=None if drills is None else drills.tip_overshoot_mm,
        obstacles=results.obstacles,
        errors=results.errors,
        shares=results.shares,
        chance_of_harm=results.chance_of_harm,
        harm_limit=harm_limit,
        findings=results.findings,
        tilt_words=tilt_words,
    )


def drill_rows(
    drills: DrillList, sleeve: Sleeve | None, fixture_length_mm: float, platform_below_crest_mm: float | None
) -> tuple[DrillRow, ...]:
    """Give the drills with their depths from the sleeve top and from the crest (mm)."""
    found = []
    for number, step in enumerate(drills.steps, start=1):
        below = fixture_length_mm if step.depth_below_platform_mm is None else step.depth_below_platform_mm
        found.append(
            DrillRow(
                number,
                step.label,
                step.diameter_mm,
                sleeve.offset_mm + below if sleeve is not None and step.guided else None,
                None if platform_below_crest_mm is None else below + platform_below_crest_mm,
                step.speed_rpm,
                step.guided,
            )
        )
    return tuple(found)


def sheet_as_json(content: SheetContent) -> Mapping[str, object]:
    """Give the numbers of a sheet for a program to read; field names carry their units."""
    return {
        "status": content.status,
        "title": content.title,
        "jaw": content.jaw,
        "guide_code": content.guide_code,
        "revision": content.stamp.revision,
        "revision_sha256": content.stamp.sha256,
        "blockers": [_finding(f) for f in content.blockers],
        "warnings": [_finding(f) for f in content.warnings],
        "fixtures": [_page(page) for page in content.pages],
    }


def _basis(sleeve: Sleeve | None, length_mm: float, platform_below_crest_mm: float | None) -> str:
    parts = []
    if sleeve is not None:
        parts.append(
            f"From the sleeve top: sleeve {sleeve.height_mm:.1f} + gap {sleeve.gap_mm:.1f} "
            f"+ fixture {length_mm:.1f} mm."
        )
    if platform_below_crest_mm is None:
        parts.append("Without a bone surface the depth from the crest is not known.")
    elif platform_below_crest_mm >= 0:
        parts.append(f"The platform lies {platform_below_crest_mm:.1f} mm below the bone's edge on the axis.")
    else:
        parts.append(f"The platform lies {-platform_below_crest_mm:.1f} mm above the bone's edge on the axis.")
    return " ".join(parts)


def _finding(finding: Finding) -> dict[str, str]:
    return {"code": finding.code, "text": finding.text, "where": finding.where, "severity": finding.severity.value}


def _page(page: FixturePage) -> dict[str, object]:
    return {
        "site": page.site.iso,
        "universal": page.site.universal,
        "words": page.site.words,
        "fixture": page.fixture,
        "length_mm": page.length_mm,
        "diameter_mm": page.diameter_mm,
        "depth_from_sleeve_top_mm": page.depth_from_sleeve_top_mm,
        "depth_from_crest_mm": page.depth_from_crest_mm,
        "tip_overshoot_mm": page.tip_overshoot_mm,
        "drills": [
            {
                "step": row.step,
                "label": row.label,
                "diameter_mm": row.diameter_mm,
                "from_sleeve_top_mm": row.from_sleeve_top_mm,
                "from_crest_mm": row.from_crest_mm,
                "guided": row.guided,
            }
            for row in page.drills
        ],
        "obstacles": [
            {
                "obstacle": row.obstacle,
                "body": row.body,
                "distance_mm": row.distance_mm,
                "margin_mm": row.margin_mm,
                "state": row.state,
                "leeway_mm": row.leeway_mm,
                "chance_of_harm": row.chance,
            }
            for row in page.obstacles
        ],
        "errors": [{"label": row.label, "p95": row.p95, "unit": row.unit, "mean": row.mean} for row in page.errors],
    }


def worst_first(rows: Sequence[ObstacleRow], count: int) -> tuple[ObstacleRow, ...]:
    """Give the `count` rows that are nearest to trouble: by chance of harm, then by what is left of the margin.

    What is further away than `NEAR_MM` is left out.
    """
    near = [row for row in rows if row.distance_mm <= NEAR_MM]
    return tuple(sorted(near, key=lambda row: (-(row.chance or 0.0), row.distance_mm - row.margin_mm))[:count])
