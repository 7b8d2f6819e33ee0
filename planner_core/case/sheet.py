"""From a plan to its drilling sheet: everything derived, put together as `SheetContent`."""

from __future__ import annotations

from datetime import UTC, datetime

from planner_core.case.blockers import findings_of, guided
from planner_core.case.budget_sheet import budget_page_of
from planner_core.case.codec import FORMAT, dumps, plain
from planner_core.case.derived import (
    bone_in_use,
    budgets_of,
    known_scan_check,
    ledger_of,
    match_state,
    scan_check_of,
)
from planner_core.case.plan import Plan
from planner_core.case.rows import Revision
from planner_core.geometry.frames import angle_between_deg
from planner_core.planning.error_budget import SiteBudget
from planner_core.planning.fixture import PlacedFixture
from planner_core.progress import Progress, part_of, silent
from planner_core.protocol.crest import platform_below_crest_mm
from planner_core.protocol.sheet import (
    FINAL,
    ErrorRow,
    FixturePage,
    ObstacleRow,
    ShareRow,
    SheetContent,
    SiteResults,
    Stamp,
    fixture_page,
)

PROGRAM = "Plumbline 0.1"

Lines = tuple[tuple[str, str], ...]


def sheet_of(
    plan: Plan,
    revision: Revision | None = None,
    *,
    wanted: str = FINAL,
    made_utc: str = "",
    progress: Progress = silent,
) -> SheetContent:
    """Give the content of the drilling sheet of a plan; checks the scan first where that was not done.

    Parameters
    ----------
    revision : Revision or None
        Where the plan stands in its case, for the stamp.
    wanted : str
        "final" (a draft all the same while a blocker stands) or "draft".
    """
    if plan.scan is not None:
        scan_check_of(plan, part_of(progress, 0.0, 0.7))
    budget = budget_page_of(plan, part_of(progress, 0.7, 0.95))
    made = made_utc or datetime.now(UTC).isoformat(timespec="seconds")
    stamp = Stamp(made_utc=made, program=PROGRAM)
    if revision is not None:
        stamp = Stamp(revision.number, revision.sha256, revision.time_utc, revision.author, made, PROGRAM)
    budgets = budgets_of(plan)
    pages = tuple(_page(plan, fixture, budgets.get(site)) for site, fixture in plan.fixtures.items())
    progress(1.0, "Sheet put together")
    return SheetContent(
        title=plan.title,
        patient=(
            ("Name", plan.patient.name),
            ("Number", plan.patient.patient_id),
            ("Born", plan.patient.birth_date),
        ),
        invented=plan.patient.invented,
        jaw=plan.jaw.value,
        guide_code=plan.guide.code,
        guide=_guide(plan),
        scan=_scan(plan),
        match=_match(plan),
        findings=findings_of(plan),
        pages=pages,
        stamp=stamp,
        plan_json=dumps({"format": FORMAT, "revision_sha256": stamp.sha256, "plan": plain(plan)}),
        notes=plan.notes,
        measurements=measured_lines(plan),
        budget=budget,
        wanted=wanted,
    )


def measured_lines(plan: Plan) -> Lines:
    """Give the measurements that the user wants on the sheet: name, and value with its 95 % interval."""
    return tuple(
        (found.label or f"{found.kind.value.capitalize()} {key}", found.text)
        for key, found in plan.measurements.items()
        if found.on_sheet
    )


def _page(plan: Plan, fixture: PlacedFixture, budget: SiteBudget | None) -> FixturePage:
    bone = bone_in_use(plan)
    return fixture_page(
        fixture,
        plan.guide.sleeves.get(fixture.site) if guided(plan) else None,
        plan.guide.drill_list,
        None if bone is None else platform_below_crest_mm(fixture.pose, bone.surface),
        _results(plan, fixture.site, budget),
        None if budget is None or budget.decisive is None else budget.decisive.limit,
        tilt_words(plan, fixture),
    )


def _results(plan: Plan, site: str, budget: SiteBudget | None) -> SiteResults:
    harms = {} if budget is None else {(h.obstacle, h.body): h for h in budget.harms}
    obstacles = []
    for row in ledger_of(plan).of(site):
        harm = harms.get((row.obstacle, row.body))
        obstacles.append(
            ObstacleRow(
                row.obstacle,
                row.body,
                row.distance_mm,
                row.margin_mm,
                row.margin_source + (" (a convention)" if row.convention else ""),
                row.state.value,
                None if harm is None else harm.leeway_mm,
                None if harm is None else harm.chance,
            )
        )
    if budget is None:
        return SiteResults(tuple(obstacles))
    errors = (
        ErrorRow("entry", budget.entry.p95_mm, "mm", budget.entry.mean_abs_mm),
        ErrorRow("apex", budget.apex.p95_mm, "mm", budget.apex.mean_abs_mm),
        ErrorRow("angle", budget.angle_p95_deg, "°", budget.angle_mean_deg),
        ErrorRow("depth", budget.depth_p95_mm, "mm", budget.depth_mean_mm),
    )
    shares = tuple(ShareRow(s.label, s.share, s.value_text, s.source_text) for s in budget.sources)
    return SiteResults(tuple(obstacles), errors, shares, budget.chance_of_harm)


def tilt_words(plan: Plan, fixture: PlacedFixture) -> str:
    """Give the tilt of a fixture against the occlusal plane's upright, and to where, in words."""
    if plan.arch is None:
        return ""
    up = plan.arch.up_lps
    axis = fixture.pose.axis_lps
    upright = -up if float(axis @ up) < 0 else up
    angle = angle_between_deg(axis, upright)
    if angle < 0.5:
        return "upright"
    station = plan.arch.station_of(fixture.pose.platform_lps_mm)
    # The end that the dentist sees leans the other way than the apex.
    crown = -(axis - upright * float(axis @ upright))
    outward, left = plan.arch.outward_at(station), plan.arch.tangent_at(station)
    front = left if station < 0 else -left
    parts = {"outwards": float(crown @ outward), "to the tongue": -float(crown @ outward)}
    parts |= {"forwards": float(crown @ front), "backwards": -float(crown @ front)}
    direction = max(parts, key=lambda word: parts[word])
    if plan.jaw.value == "upper" and direction == "to the tongue":
        direction = "to the palate"
    return f"leans {angle:.0f}° {direction}"


def _guide(plan: Plan) -> Lines:
    guide = plan.guide
    lines = [("Carried by", guide.support.value), ("Leads", guide.guidance.value)]
    drills = guide.drill_list
    lines.append(
        ("Drill list", "none" if drills is None else drills.label + (" (generic)" if drills.generic else ""))
    )
    return tuple(lines)


def _scan(plan: Plan) -> Lines:
    if plan.scan is None:
        return (("Scan", "none"),)
    volume, source = plan.scan.volume, plan.scan.source
    slices, rows, columns = volume.shape
    spacing = " x ".join(f"{s:.2f}" for s in volume.spacing_mm)
    words = f"{slices} slices of {rows} x {columns}, voxel {spacing} mm"
    lines = [("Scan", f"{source.kind.upper()}, {words}" if source.kind else words)]
    if source.study_date:
        lines.append(("Taken", source.study_date))
    check = known_scan_check(plan)
    if check is not None:
        degraded = ", ".join(f"slices {a + 1} to {b + 1} of {slices}" for a, b in check.degraded_slices)
        lines.append(("Degraded", degraded or "no slice as a whole"))
    reading = plan.reading
    lines.append(
        ("Read by", "not signed" if reading is None else f"{reading.reader}, {reading.date}: {reading.text or '–'}")
    )
    return tuple(lines)


def _match(plan: Plan) -> Lines:
    if plan.match is None:
        return (("Match", "none"),)
    match = plan.match.match
    state = match_state(plan)
    pairs = f", {len(match.residuals_mm)} pairs" if match.road.value in ("points", "markers") else ""
    words = f"by {match.road.value}{pairs}" + ("" if state == "in use" else f" ({state})")
    lines = [("Match", words)]
    if plan.fixtures and state == "in use":
        errors = [
            f"{site}: {match.expected_p95_mm(f.pose.platform_lps_mm):.2f} mm" for site, f in plan.fixtures.items()
        ]
        lines.append(("Expected error", ", ".join(errors) + " (95 of 100 stay below)"))
    return tuple(lines)
