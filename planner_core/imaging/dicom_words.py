"""What a series says about itself, and what its reading noticed, in words."""

from __future__ import annotations

from collections.abc import Mapping

from planner_core.findings import Finding, Severity
from planner_core.imaging.dicom_header import ImageHeader, date_of, number_of, text_of
from planner_core.imaging.scan import ScanSource
from planner_core.imaging.series_slices import SeriesSlice


def words_for(skipped: Mapping[str, int]) -> str:
    """Say what was skipped: "2 scouts, 1 report" in the order of their number."""
    return ", ".join(f"{count} x {reason}" for reason, count in sorted(skipped.items(), key=lambda kv: -kv[1]))


def reading_findings(
    skipped: Mapping[str, int], doubles: int, problem: str, ordered: list[SeriesSlice]
) -> list[Finding]:
    """Say what was noticed while the slices were put together."""
    findings = []
    if problem:
        findings.append(
            Finding(
                Severity.WARNING,
                "resampled",
                f"{problem}; the scan was interpolated onto an even grid, which blurs it slightly.",
            )
        )
    if skipped:
        findings.append(Finding(Severity.NOTE, "skipped-files", f"Not part of the volume: {words_for(skipped)}."))
    lost = skipped.get("damaged DICOM file", 0) + skipped.get("damaged file of no known series", 0)
    if lost:
        text = f"{lost} file{'s' if lost > 1 else ''} cannot be read at all; slices at the ends may be missing."
        findings.append(Finding(Severity.WARNING, "damaged-files", text))
    if doubles:
        findings.append(
            Finding(
                Severity.NOTE, "double-slices", f"{doubles} copies of slices were left out.", f"{doubles} slices"
            )
        )
    if any(part.header.photometric == "MONOCHROME1" for part in ordered):
        findings.append(
            Finding(
                Severity.WARNING,
                "inverted-display",
                "The files ask for a display in which dense is dark (MONOCHROME1); grey values are kept as stored.",
            )
        )
    return findings


def source_of(header: ImageHeader, used: int, skipped: int) -> ScanSource:
    """Take from a header where a volume came from."""
    return ScanSource(
        kind="dicom",
        patient_name=person_words(text_of(header, "PatientName")),
        patient_id=text_of(header, "PatientID"),
        patient_birth_date=date_of(header, "PatientBirthDate"),
        patient_sex=text_of(header, "PatientSex"),
        study_date=date_of(header, "AcquisitionDate", "StudyDate", "SeriesDate"),
        study_uid=header.study_uid,
        series_uid=header.series_uid,
        series_description=text_of(header, "SeriesDescription"),
        modality=text_of(header, "Modality"),
        kvp=number_of(header, "KVP"),
        tube_current_ma=number_of(header, "XRayTubeCurrent"),
        files_used=used,
        files_skipped=skipped,
    )


def person_words(name: str) -> str:
    """Give a DICOM person name (Family^Given^Middle^Prefix^Suffix) as people write it."""
    parts = [part.strip() for part in name.split("=")[0].split("^")]
    parts += [""] * (5 - len(parts))
    family, given, middle, prefix, suffix = parts[:5]
    return " ".join(part for part in (prefix, given, middle, family, suffix) if part)
