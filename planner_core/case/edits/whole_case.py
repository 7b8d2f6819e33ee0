"""Edits of the case itself: title, notes, whose it is, jaw, scan and its reading."""

from __future__ import annotations

import re

from attrs import evolve

from planner_core.anatomy.structures import Jaw
from planner_core.case.edits.shared import check_site, drawn, without
from planner_core.case.plan import Patient, Plan, ScanInput, ScanReading
from planner_core.errors import PlannerError
from planner_core.imaging.scan import ImportedScan


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
        check_site(site, jaw)
    return evolve(plan, jaw=jaw)


def set_scan(plan: Plan, scan: ScanInput | ImportedScan) -> Plan:
    """Take a cone-beam scan into the case; what was drawn on another one stays and counts as stale."""
    if isinstance(scan, ImportedScan):
        scan = ScanInput(scan.volume, scan.source, scan.findings)
    return evolve(plan, scan=scan)


def set_reading(plan: Plan, reading: ScanReading | None) -> Plan:
    """Record that a qualified person has read the whole volume, or take that back with None."""
    if reading is None:
        return evolve(plan, reading=None, made_on=without(plan.made_on, "reading"))
    if plan.scan is None:
        raise PlannerError("There is no scan to sign as read.", "Import the scan first.")
    if not reading.reader.strip():
        raise PlannerError("A reading needs the name of the person who read the volume.", "Enter the name.")
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", reading.date):
        raise PlannerError(
            f"The date {reading.date!r} of the reading is not of the form YYYY-MM-DD.", "Correct the date."
        )
    return drawn(evolve(plan, reading=reading), "reading")
