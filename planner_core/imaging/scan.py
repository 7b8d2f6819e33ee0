"""What reading a scan gives: the volume, where it came from, and what was noticed."""

from __future__ import annotations

from attrs import frozen

from planner_core.findings import Finding
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume


@frozen
class ScanSource:
    """Where a volume came from, as far as its file says; empty strings where it does not.

    Dates are ISO 8601 (YYYY-MM-DD). Nothing here decides a number of the plan.
    """

    kind: str = ""
    """``"dicom"``, ``"nifti"``, ``"nrrd"`` or ``"metaimage"``."""
    patient_name: str = ""
    patient_id: str = ""
    patient_birth_date: str = ""
    patient_sex: str = ""
    study_date: str = ""
    study_uid: str = ""
    series_uid: str = ""
    series_description: str = ""
    modality: str = ""
    kvp: float | None = None
    tube_current_ma: float | None = None
    files_used: int = 0
    files_skipped: int = 0


@frozen(eq=False)
class ImportedScan:
    """A volume with its source and the findings of its import."""

    volume: Volume
    source: ScanSource
    findings: tuple[Finding, ...] = ()


@frozen(eq=False)
class ImportedSurface:
    """A surface with the unit that was assumed for it and the findings of its import."""

    surface: Surface
    unit: str = "mm"
    findings: tuple[Finding, ...] = ()
