"""A plan without identity: for a case or a sheet that leaves the practice.

Taken out is what PS3.15 table E.1-1 (Basic Profile) names and a plan can hold: name, number, birth date, sex of the
patient, dates, unique identifiers, descriptions, names of readers and operators, free text. The numbers
of the scan stay; the picture of a head can show a face, which is said as a finding.
"""

from __future__ import annotations

import hashlib

import numpy as np
from attrs import evolve

from planner_core.case.plan import Patient, Plan, ScanInput, ScanReading
from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource

ANONYMOUS = "anonymous"
"""Author of every revision of a case without identity."""

REMOVED_DATE = "1900-01-01"
"""Stands for the date of a reading, whose form needs one (our choice)."""

FACE_EXTENT_MM = 130.0
"""A volume at least this tall and wide can show a face (our choice: chin to brow of an adult is about 150 mm)."""


def without_identity(plan: Plan) -> Plan:
    """Give the plan without anything that names a person, a place or a day; geometry and decisions stay."""
    scan = None if plan.scan is None else scan_without_identity(plan.scan)
    surfaces = {key: evolve(s, label=f"{s.role.value} scan") for key, s in plan.surfaces.items()}
    reading = None
    if plan.reading is not None:
        reading = ScanReading("name removed", REMOVED_DATE, "")
    own = None if plan.own_data is None else plan.own_data.without_identity()
    return evolve(
        plan, own_data=own, title="", patient=Patient(invented=plan.patient.invented), scan=scan, surfaces=surfaces,
        reading=reading, notes="",
    )  # fmt: skip


def scan_without_identity(scan: ScanInput) -> ScanInput:
    """Give a scan that says nothing of whose, when and where; its numbers and their place stay."""
    volume = scan.volume
    if volume.frame_of_reference_uid:
        # The numbers are shared, only the identifier goes.
        stripped = Volume(volume.stored, volume.lps_from_index, volume.scale, volume.offset)
        stripped._hash.append(volume.content_hash)
        volume = stripped
    source = ScanSource(
        kind=scan.source.kind,
        modality=scan.source.modality,
        kvp=scan.source.kvp,
        tube_current_ma=scan.source.tube_current_ma,
        files_used=scan.source.files_used,
    )
    return ScanInput(volume, source, scan.findings)


def face_warning(plan: Plan) -> Finding | None:
    """Give a warning where the volume is large enough to show a face."""
    if plan.scan is None:
        return None
    extent = np.ptp(plan.scan.volume.corners_lps_mm(), axis=0)
    return face_in((float(extent[0]), float(extent[2])))


def face_in(breadth_height_mm: tuple[float, float]) -> Finding | None:
    """Give a warning where a volume of this breadth and height can show a face."""
    breadth, height = breadth_height_mm
    # A size that is not known is nan, of which nothing is warned.
    if not (breadth >= FACE_EXTENT_MM and height >= FACE_EXTENT_MM):
        return None
    text = f"The volume spans {breadth:.0f} x {height:.0f} mm: a face can be made from it."
    return Finding(Severity.WARNING, "face-visible", text)


def code_of(plan: Plan) -> str:
    """Give a short code by which the practice finds the case again: from its content, not from the person."""
    content = "" if plan.scan is None else plan.scan.volume.content_hash
    return hashlib.sha256(f"{content}{sorted(plan.fixtures)}".encode()).hexdigest()[:8].upper()
