"""The edits: pure functions from plan to plan.

Every function takes a plan first and gives a new one that shares what did not change; it raises `PlannerError` and
gives nothing where the values cannot stand. Sites are ISO 3950 two-digit numbers (ISO 19429: no quadrants 5 to 8).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeVar

import numpy as np
from attrs import evolve

from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Jaw, Side
from planner_core.case.plan import (
    AdoptedBone,
    AdoptedMatch,
    GuideSettings,
    Limits,
    Patient,
    Plan,
    ScanInput,
    ScanReading,
    SurfaceInput,
)
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray
from planner_core.imaging.scan import ImportedScan
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.eligibility import MouthFacts
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.registration.match import Match, PointPair

LARGEST_MARGIN_MM = 20.0
"""Largest margin accepted, mm (our choice: about the height of a jaw, more is a slip of the keyboard)."""

Value = TypeVar("Value")


# ---------------------------------------------------------------- the case itself


def set_title(plan: Plan, title: str) -> Plan:
    """Name the case."""
    return evolve(plan, title=title)


def set_notes(plan: Plan, notes: str) -> Plan:
    """Keep free text with the case."""
    return evolve(plan, notes=notes)


def set_patient(plan: Plan, patient: Patient) -> Plan:
    """Say whose case it is."""
    return evolve(plan, patient=patient)


def take_patient(plan: Plan) -> Plan:
    """Take over the patient that the scan names, where the case has none yet."""
    if plan.scan is None or plan.patient.name or plan.patient.patient_id:
        return plan
    source = plan.scan.source
    return evolve(
        plan,
        patient=evolve(
            plan.patient,
            name=source.patient_name,
            patient_id=source.patient_id,
            birth_date=source.patient_birth_date,
        ),
    )


def set_jaw(plan: Plan, jaw: Jaw) -> Plan:
    """Choose the jaw; refused while fixtures stand in the other one."""
    for site in plan.fixtures:
        _check_site(site, jaw)
    return evolve(plan, jaw=jaw)


def set_scan(plan: Plan, scan: ScanInput | ImportedScan) -> Plan:
    """Take a cone-beam scan into the case; what was drawn on another one stays and counts as stale."""
    if isinstance(scan, ImportedScan):
        scan = ScanInput(scan.volume, scan.source, scan.findings)
    return evolve(plan, scan=scan)


def set_reading(plan: Plan, reading: ScanReading | None) -> Plan:
    """Record that a qualified person has read the whole volume, or take that back with None."""
    if reading is None:
        return evolve(plan, reading=None, made_on=_without(plan.made_on, "reading"))
    if plan.scan is None:
        raise PlannerError("There is no scan to sign as read.", "Import the scan first.")
    if not reading.reader.strip():
        raise PlannerError("A reading needs the name of the person who read the volume.", "Enter the name.")
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", reading.date):
        raise PlannerError(
            f"The date {reading.date!r} of the reading is not of the form YYYY-MM-DD.", "Correct the date."
        )
    return _drawn(evolve(plan, reading=reading), "reading")


# ---------------------------------------------------------------- surfaces and match


def add_surface(plan: Plan, surface: SurfaceInput) -> Plan:
    """Take a surface scan into the case, in place of one with the same id."""
    return evolve(plan, surfaces={**plan.surfaces, surface.surface_id: surface})


def remove_surface(plan: Plan, surface_id: str) -> Plan:
    """Take a surface scan out of the case."""
    _present(plan.surfaces, surface_id, "surface scan")
    return evolve(plan, surfaces=_without(plan.surfaces, surface_id))


def set_pairs(plan: Plan, pairs: tuple[PointPair, ...]) -> Plan:
    """Set all pairs of points for the match at once."""
    for pair in pairs:
        _check_points(pair.surface_mm, (3,), f"the pair {pair.name!r}")
        _check_points(pair.lps_mm, (3,), f"the pair {pair.name!r}")
    names = [pair.name for pair in pairs]
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise PlannerError(f"Two pairs are called {doubled[0]!r}.", "Give each pair its own name.")
    return _drawn(evolve(plan, pairs=tuple(pairs)), "pairs")


def add_pair(plan: Plan, pair: PointPair) -> Plan:
    """Add one pair of points, in place of one with the same name."""
    others = tuple(p for p in plan.pairs if p.name != pair.name)
    return set_pairs(plan, (*others, pair))


def remove_pair(plan: Plan, name: str) -> Plan:
    """Take one pair of points away."""
    if all(pair.name != name for pair in plan.pairs):
        raise PlannerError(f"There is no pair called {name!r}.", "Choose one of the pairs in the list.")
    return evolve(plan, pairs=tuple(p for p in plan.pairs if p.name != name))


def adopt_match(
    plan: Plan, match: Match | None, surface_id: str = "", made_from: Mapping[str, str] | None = None
) -> Plan:
    """Use a match for the plan, with the fingerprints of what it was made from; None takes it back.

    `made_from` comes from `planner_core.case.fingerprints.match_inputs`; left out, today's are taken.
    """
    if match is None:
        return evolve(plan, match=None)
    if not surface_id:
        frame = match.lps_from_surface.source
        surface_id = next((k for k, s in plan.surfaces.items() if s.surface.frame == frame), frame)
    _present(plan.surfaces, surface_id, "surface scan")
    if made_from is None:
        from planner_core.case.fingerprints import match_inputs

        made_from = match_inputs(plan, match.road, surface_id)
    return evolve(plan, match=AdoptedMatch(match, surface_id, made_from))


# ---------------------------------------------------------------- anatomy


def set_arch(plan: Plan, arch: ArchCurve | None) -> Plan:
    """Set the arch curve, or take it away with None."""
    if arch is None:
        return evolve(plan, arch=None, made_on=_without(plan.made_on, "arch"))
    _check_points(arch.control_lps_mm, (-1, 3), "the arch curve")
    if len(arch.control_lps_mm) < 3:
        raise PlannerError("The arch curve needs at least three points.", "Click one more point along the ridge.")
    return _drawn(evolve(plan, arch=arch), "arch")


def set_canal(plan: Plan, canal: Canal) -> Plan:
    """Set the canal of its side."""
    side = canal.side.value
    _check_points(canal.path_lps_mm, (-1, 3), f"the {side} canal")
    return _drawn(evolve(plan, canals={**plan.canals, side: canal}), f"canal:{side}")


def remove_canal(plan: Plan, side: Side) -> Plan:
    """Take the canal of one side away."""
    key = Side(side).value
    _present(plan.canals, key, "canal of the side")
    return evolve(plan, canals=_without(plan.canals, key), made_on=_without(plan.made_on, f"canal:{key}"))


def adopt_bone(plan: Plan, bone: BoneSurface | None, made_from: Mapping[str, str] | None = None) -> Plan:
    """Use a bone surface for the plan; None takes it back."""
    if bone is None:
        return evolve(plan, bone=None)
    if made_from is None:
        from planner_core.case.fingerprints import bone_inputs

        made_from = bone_inputs(plan)
    return evolve(plan, bone=AdoptedBone(bone, made_from))


# ---------------------------------------------------------------- fixtures


def place_fixture(plan: Plan, site: str, shape: FixtureShape, pose: FixturePose) -> Plan:
    """Place a new fixture at a free site."""
    _check_site(site, plan.jaw)
    _check_pose(site, pose)
    if site in plan.fixtures:
        raise PlannerError(f"There is a fixture at {site} already.", "Move or change it, or choose another site.")
    fixtures = {**plan.fixtures, site: PlacedFixture(site, shape, pose)}
    return _drawn(evolve(plan, fixtures=dict(sorted(fixtures.items()))), f"fixture:{site}")


def move_fixture(plan: Plan, site: str, pose: FixturePose) -> Plan:
    """Move a fixture that is not locked."""
    _check_pose(site, pose)
    return _with_fixture(plan, evolve(_unlocked(plan, site), pose=pose))


def change_shape(plan: Plan, site: str, shape: FixtureShape) -> Plan:
    """Give a fixture that is not locked another shape; the platform stays where it is."""
    return _with_fixture(plan, evolve(_unlocked(plan, site), shape=shape))


def delete_fixture(plan: Plan, site: str) -> Plan:
    """Take a fixture that is not locked out of the plan, with its sleeve."""
    _unlocked(plan, site)
    guide = evolve(plan.guide, sleeves=_without(plan.guide.sleeves, site))
    return evolve(
        plan,
        fixtures=_without(plan.fixtures, site),
        guide=guide,
        made_on=_without(plan.made_on, f"fixture:{site}"),
    )


def set_lock(plan: Plan, site: str, locked: bool) -> Plan:
    """Lock a fixture against moving, or free it."""
    fixture = _present(plan.fixtures, site, "fixture at")
    return evolve(plan, fixtures={**plan.fixtures, site: evolve(fixture, locked=locked)})


# ---------------------------------------------------------------- guide and limits


def set_guide(
    plan: Plan, support: Support | None = None, guidance: Guidance | None = None, code: str | None = None
) -> Plan:
    """Say what carries the guide, how far it leads and its engraved code; None leaves a value as it is."""
    guide = plan.guide
    return evolve(
        plan,
        guide=evolve(
            guide,
            support=guide.support if support is None else Support(support),
            guidance=guide.guidance if guidance is None else Guidance(guidance),
            code=guide.code if code is None else code.strip(),
        ),
    )


def set_guide_settings(plan: Plan, guide: GuideSettings) -> Plan:
    """Set all settings of the guide at once."""
    for site in guide.sleeves:
        _present(plan.fixtures, site, "fixture at")
    return evolve(plan, guide=guide)


def set_sleeve(plan: Plan, site: str, sleeve: Sleeve | None) -> Plan:
    """Give a site its sleeve, or none."""
    _present(plan.fixtures, site, "fixture at")
    sleeves = _without(plan.guide.sleeves, site)
    if sleeve is not None:
        sleeves[site] = sleeve
    return evolve(plan, guide=evolve(plan.guide, sleeves=dict(sorted(sleeves.items()))))


def set_drill_list(plan: Plan, drill_list: DrillList | None) -> Plan:
    """Set the list of drills."""
    if drill_list is not None and not drill_list.steps:
        raise PlannerError(f"The drill list {drill_list.label!r} has no drills.", "Choose a list with steps.")
    return evolve(plan, guide=evolve(plan.guide, drill_list=drill_list))


def set_margin(plan: Plan, kind: str, margin_mm: float | None) -> Plan:
    """Set the margin to one kind of obstacle (mm); None goes back to the sourced default."""
    margins = _without(plan.limits.margin_mm, kind)
    if margin_mm is not None:
        if not 0.0 <= margin_mm <= LARGEST_MARGIN_MM:
            raise PlannerError(
                f"A margin of {margin_mm} mm to {kind} cannot be used.",
                f"Give a value from 0 to {LARGEST_MARGIN_MM:g} mm.",
            )
        margins[kind] = float(margin_mm)
    return evolve(plan, limits=evolve(plan.limits, margin_mm=margins))


def set_harm_limit(plan: Plan, harm_chance: float | None) -> Plan:
    """Set the accepted chance of harm per site (0 to 1); None goes back to the default."""
    if harm_chance is not None and not 0.0 < harm_chance < 1.0:
        raise PlannerError(f"A chance of harm of {harm_chance} cannot be used.", "Give a value between 0 and 1.")
    return evolve(plan, limits=evolve(plan.limits, harm_chance=harm_chance))


def set_mouth(plan: Plan, mouth: MouthFacts) -> Plan:
    """Record what was examined at the chair: carrier teeth, mucosa, keratinised band, mouth opening."""
    for tooth in mouth.teeth or ():
        if not re.fullmatch(r"[1-4][1-8]", tooth.number):
            raise PlannerError(f"{tooth.number!r} is not a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    return evolve(plan, mouth=mouth)


def set_limits(plan: Plan, limits: Limits) -> Plan:
    """Set all limits at once."""
    return evolve(plan, limits=limits)


# ---------------------------------------------------------------- what they share


def _check_site(site: str, jaw: Jaw) -> None:
    if not re.fullmatch(r"[1-4][1-8]", site):
        raise PlannerError(
            f"{site!r} is not a site for a fixture.", "Use the two-digit numbers 11 to 48 of ISO 3950."
        )
    if (site[0] in "12") != (jaw is Jaw.UPPER):
        raise PlannerError(
            f"Site {site} does not lie in the {jaw.value} jaw of this case.", "Choose a site of this jaw."
        )


def _check_pose(site: str, pose: FixturePose) -> None:
    _check_points(pose.platform_lps_mm, (3,), f"the pose of fixture {site}")
    _check_points(pose.axis_lps, (3,), f"the pose of fixture {site}")


def _check_points(points: AnyArray, shape: tuple[int, ...], what: str) -> None:
    fits = points.ndim == len(shape) and all(
        want in (-1, have) for want, have in zip(shape, points.shape, strict=False)
    )
    if not fits or not np.isfinite(points).all():
        raise PlannerError(f"A point of {what} is not three finite numbers.", "Set it again.")


def _present(values: Mapping[str, Value], key: str, what: str) -> Value:
    if key not in values:
        known = ", ".join(values) or "none"
        raise PlannerError(f"There is no {what} {key!r} in this case.", f"There are: {known}.")
    return values[key]


def _without(values: Mapping[str, Value], key: str) -> dict[str, Value]:
    return {k: v for k, v in values.items() if k != key}


def _unlocked(plan: Plan, site: str) -> PlacedFixture:
    fixture = _present(plan.fixtures, site, "fixture at")
    if fixture.locked:
        raise PlannerError(f"Fixture {site} is locked.", "Unlock it first.")
    return fixture


def _with_fixture(plan: Plan, fixture: PlacedFixture) -> Plan:
    fixtures = {**plan.fixtures, fixture.site: fixture}
    return _drawn(evolve(plan, fixtures=fixtures), f"fixture:{fixture.site}")


def _drawn(plan: Plan, part: str) -> Plan:
    scan_hash = "" if plan.scan is None else plan.scan.volume.content_hash
    if plan.made_on.get(part) == scan_hash:
        return plan
    return evolve(plan, made_on={**plan.made_on, part: scan_hash})
