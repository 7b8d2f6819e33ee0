"""Reads CT and cone-beam series from whatever reaches a clinic: folders, discs, zips, multi-frame files."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np
from attrs import define, evolve, field, frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging import dicom_pixels
from planner_core.imaging.dicom_elements import quiet_pydicom
from planner_core.imaging.dicom_header import (
    CT_CLASSES,
    DamagedFile,
    ImageHeader,
    NotAnImage,
    date_of,
    read_header,
    text_of,
)
from planner_core.imaging.dicom_words import person_words, reading_findings, source_of, words_for
from planner_core.imaging.foreign_arrays import axial_first
from planner_core.imaging.grey_values import to_common_scale
from planner_core.imaging.import_findings import findings_of
from planner_core.imaging.resample import resample_stack
from planner_core.imaging.scan import ImportedScan
from planner_core.imaging.scan_files import ScanFile, ScanFiles, collect_files
from planner_core.imaging.series_slices import (
    SeriesSlice,
    arrange_slices,
    one_kind,
    problem_of,
    slices_of,
    voxel_spacing,
    without_doubles,
)
from planner_core.imaging.slice_geometry import Stack
from planner_core.progress import Progress, part_of, silent

MOST_VOXELS = 1_500_000_000
"""Voxels of one volume, at most (our choice: 1100 voxels cubed, 3 GB)."""

MOST_VOXELS_PER_BYTE = 20_000
"""Voxels that one compressed byte can stand for, at most (our choice; blank slices in JPEG-LS: 5000)."""

LARGE_VOXELS, LARGE_VOXELS_PER_BYTE = 268_000_000, 100
"""Volumes beyond this many voxels (0.5 GB) must look like a scan, not like a bomb (our choice; seen: 2 to 10)."""

THUMBNAIL_VOXELS = 96
"""Longer side of the small picture in the list of series (our choice)."""


AXIAL = Finding(Severity.NOTE, "made-axial", "The slices were not axial; the volume is kept in axial slices.")


@frozen(eq=False)
class SeriesSummary:
    """What the list of series shows.

    Parameters
    ----------
    shape : tuple of three ints
        Slices, rows, columns.
    spacing_mm, size_mm : tuple of three floats
        Along slice, row and column index; nan where the positions do not say.
    problem : str
        Why the series cannot be taken as it is; empty if it can.
    resample_helps : bool
        Whether the problem goes away with ``resample=True``.
    thumbnail : uint8 array or None
        The middle slice, small.
    """

    uid: str
    description: str
    modality: str
    date: str
    patient_name: str
    n_files: int
    shape: tuple[int, int, int]
    spacing_mm: tuple[float, float, float]
    size_mm: tuple[float, float, float]
    patient_id: str = ""
    patient_birth_date: str = ""
    kind: str = "CT"
    problem: str = ""
    resample_helps: bool = False
    thumbnail: NDArray[np.uint8] | None = None


@frozen(eq=False)
class SeriesListing:
    """The series found in a source, largest first, and what was skipped and why."""

    series: tuple[SeriesSummary, ...]
    skipped: Mapping[str, int]


def list_series(source: Path, progress: Progress = silent) -> SeriesListing:
    """List the CT and cone-beam series behind `source`.

    Raises
    ------
    PlannerError
        If nothing can be read there. A source without any series gives an empty list.
    """
    with quiet_pydicom(), collect_files(Path(source), progress) as files:
        found = _read_headers(files, part_of(progress, 0.0, 0.8))
        summaries = [_summary(uid, headers) for uid, headers in found.series.items()]
        summaries.sort(key=lambda summary: -int(np.prod(summary.shape)))
        progress(1.0, "Series listed")
        return SeriesListing(tuple(summaries), MappingProxyType(dict(found.skipped)))


def read_dicom(
    source: Path, series_uid: str | None = None, *, resample: bool = False, progress: Progress = silent
) -> ImportedScan:
    """Read one series as a volume.

    Parameters
    ----------
    source : Path
        Folder, disc, zip or file.
    series_uid : str or None
        Which series; may be left out when there is only one.
    resample : bool
        Put tilted or unevenly spaced, but complete, slices onto an even grid (with a finding).
    progress : Progress

    Returns
    -------
    ImportedScan

    Raises
    ------
    PlannerError
        If nothing is there, several series are, slices are missing, or the files are damaged.
    """
    with quiet_pydicom(), collect_files(Path(source), progress) as files:
        found = _read_headers(files, part_of(progress, 0.0, 0.25))
        headers = _choose(found, series_uid, Path(source))
        return _read_series(headers, found.skipped, resample, part_of(progress, 0.25, 1.0))


@define(eq=False)
class _Found:
    series: dict[str, list[ImageHeader]] = field(factory=dict)
    skipped: Counter[str] = field(factory=Counter)
    damaged: list[DamagedFile] = field(factory=list)


def _read_headers(files: ScanFiles, progress: Progress) -> _Found:
    """Read every header and sort the images by series."""
    found = _Found(skipped=Counter(files.skipped))
    for index, file in enumerate(files.files):
        if index % 16 == 0:
            progress(index / len(files.files), f"Looking at file {index + 1} of {len(files.files)}")
        header = _try_header(file, found)
        if header is not None:
            found.series.setdefault(header.series_uid or "unnamed", []).append(header)
    return found


def _try_header(file: ScanFile, found: _Found) -> ImageHeader | None:
    try:
        header = read_header(file)
    except DamagedFile as damage:
        found.damaged.append(damage)
        found.skipped["damaged file" if damage.series_uid else "damaged file of no known series"] += 1
        return None
    except OSError:
        found.skipped["file that may not be read"] += 1
        return None
    if isinstance(header, NotAnImage):
        found.skipped[header.reason] += 1
        return None
    return header


def _choose(found: _Found, series_uid: str | None, source: Path) -> list[ImageHeader]:
    """Take the wanted series, or the only one."""
    # A damaged file of another series does no harm; one whose series cannot be read is a finding then.
    damaged = [one for one in found.damaged if series_uid in (None, one.series_uid)]
    if damaged:
        others = len(damaged) - 1
        more = f"; {others} more file{'s' if others > 1 else ''} cannot be used either" if others else ""
        remedy = damaged[0].remedy or "Copy or export the scan again; a volume needs every slice."
        raise PlannerError(f"{damaged[0]}{more}.", remedy)
    if not found.series:
        raise _nothing(found.skipped, source)
    if series_uid is not None:
        if series_uid not in found.series:
            raise PlannerError(f"There is no series {series_uid} in {source}.", "Choose one of the series listed.")
        return found.series[series_uid]
    if len(found.series) > 1:
        lines = []
        for uid, headers in found.series.items():
            description = text_of(headers[0], "SeriesDescription")
            count = f"{len(headers)} file{'s' if len(headers) > 1 else ''}"
            lines.append(f"{uid} ({count}, {description})" if description else f"{uid} ({count})")
        listed = "; ".join(lines)
        raise PlannerError(f"There are {len(lines)} series in {source}: {listed}.", "Choose one of them.")
    return next(iter(found.series.values()))


def _nothing(skipped: Mapping[str, int], source: Path) -> PlannerError:
    if not skipped:
        return PlannerError(f"{source} is empty.", "Choose the folder, zip or file with the scan.")
    return PlannerError(
        f"No CT or cone-beam series was found in {source} (seen: {words_for(skipped)}).",
        "Choose the folder, zip or file with the scan.",
    )


def _check_size(slices: list[SeriesSlice]) -> None:
    """Refuse volumes larger than reason, or than their compressed bytes can hold, before they are allocated."""
    voxels = sum(part.header.rows * part.header.columns for part in slices)
    if voxels > MOST_VOXELS:
        raise PlannerError(
            f"The series has {voxels / 1e9:.1f} thousand million voxels.", "Export a smaller volume."
        )
    packed = {id(part.header): part.header for part in slices if part.header.encapsulated}
    size = sum(header.file.size for header in packed.values())
    bound = min(size * MOST_VOXELS_PER_BYTE, max(LARGE_VOXELS, size * LARGE_VOXELS_PER_BYTE))
    claimed = sum(part.header.rows * part.header.columns for part in slices if part.header.encapsulated)
    if claimed > bound:
        raise PlannerError(
            "The compressed pictures are smaller than any picture of their size can be.",
            "The files are damaged; export the scan again.",
        )


def _read_series(
    headers: list[ImageHeader], skipped: Counter[str], resample: bool, progress: Progress
) -> ImportedScan:
    """Check geometry and size, then read the pixels of one series."""
    slices, odd = one_kind(slices_of(headers))
    slices, doubles = without_doubles(slices)
    row_mm, column_mm = voxel_spacing(slices)
    stack = arrange_slices(slices)
    problem, helps = problem_of(stack)
    if problem and not (helps and resample):
        raise PlannerError(
            f"{problem}.",
            "Read it with resampling, or export the scan again without tilt and with even steps."
            if helps
            else "Export or copy the whole series again.",
        )
    _check_size(slices)
    ordered = [slices[index] for index in stack.order]
    stored = _pixels(ordered, part_of(progress, 0.0, 0.8))
    scaled = to_common_scale(
        stored,
        np.array([part.header.slopes[part.frame] for part in ordered]),
        np.array([part.header.intercepts[part.frame] for part in ordered]),
        np.array([dicom_pixels.shifted(part.header) for part in ordered]),
        [part.header.padding for part in ordered],
    )
    if problem:
        stored, affine = resample_stack(
            stored, stack, row_mm, column_mm, int(stored.min()), part_of(progress, 0.8, 0.95)
        )
    else:
        affine = _affine(stack, row_mm, column_mm)
    turned = axial_first(affine)
    if turned[0] != 0:
        # Sagittal or coronal slices: what is judged slice by slice later is judged in axial ones.
        stored = np.ascontiguousarray(stored.transpose(turned))
        affine = affine[:, [*turned, 3]]
    volume = Volume(stored, affine, scaled.scale, scaled.offset, headers[0].frame_of_reference_uid)
    counts = Counter(skipped)
    if odd:
        counts["slice of another size or orientation"] += odd
    findings = (
        *reading_findings(counts, doubles, problem, ordered),
        *((AXIAL,) if turned[0] != 0 else ()),
        *scaled.findings,
        *findings_of(volume),
    )
    progress(1.0, "Scan read")
    source = source_of(headers[0], len({id(part.header) for part in ordered}), sum(counts.values()) + doubles)
    return ImportedScan(volume, source, findings)


def _pixels(ordered: list[SeriesSlice], progress: Progress) -> NDArray[np.int16]:
    """Read all frames into one array, file by file."""
    jobs: dict[int, list[tuple[int, int]]] = {}
    by_id = {id(part.header): part.header for part in ordered}
    for target, part in enumerate(ordered):
        jobs.setdefault(id(part.header), []).append((part.frame, target))
    first = ordered[0].header
    if first.encapsulated:
        # A damaged or unknown compression shows before the whole volume is allocated.
        dicom_pixels.read_frame(first, ordered[0].frame)
    stored = np.empty((len(ordered), first.rows, first.columns), dtype=np.int16)
    dicom_pixels.read_frames(
        [dicom_pixels.FrameJob(by_id[key], tuple(frames)) for key, frames in jobs.items()], stored, progress
    )
    return stored


def _affine(stack: Stack, row_mm: float, column_mm: float) -> NDArray[np.float64]:
    """Give the 4x4 matrix from (slice, row, column) to LPS mm."""
    count = len(stack.order)
    line = stack.origins_lps_mm[-1] - stack.origins_lps_mm[0]
    affine = np.eye(4)
    affine[:3, 0] = stack.normal * float(line @ stack.normal) / (count - 1)
    affine[:3, 1] = stack.along_column * row_mm
    affine[:3, 2] = stack.along_row * column_mm
    affine[:3, 3] = stack.origins_lps_mm[0]
    return affine


def _summary(uid: str, headers: list[ImageHeader]) -> SeriesSummary:
    """Describe one series for the list, with what is wrong with it."""
    first = headers[0]
    slices = slices_of(headers)
    summary = SeriesSummary(
        uid=uid,
        description=text_of(first, "SeriesDescription"),
        modality=text_of(first, "Modality"),
        date=date_of(first, "AcquisitionDate", "StudyDate", "SeriesDate"),
        patient_name=person_words(text_of(first, "PatientName")),
        patient_id=text_of(first, "PatientID"),
        patient_birth_date=date_of(first, "PatientBirthDate"),
        n_files=len(headers),
        shape=(len(slices), first.rows, first.columns),
        spacing_mm=(np.nan, np.nan, np.nan),
        size_mm=(np.nan, np.nan, np.nan),
        kind=CT_CLASSES[first.sop_class],
    )
    try:
        slices, _ = without_doubles(one_kind(slices)[0])
        row_mm, column_mm = voxel_spacing(slices)
        stack = arrange_slices(slices)
        problem, helps = problem_of(stack)
    except PlannerError as error:
        middle = _thumbnail(slices[len(slices) // 2])
        return evolve(summary, problem=error.message.rstrip("."), thumbnail=middle)
    shape = (len(slices), slices[0].header.rows, slices[0].header.columns)
    spacing = (stack.step_mm, row_mm, column_mm)
    return evolve(
        summary,
        shape=shape,
        spacing_mm=spacing,
        size_mm=(
            float(stack.steps_mm.sum()) + stack.step_mm,
            shape[1] * row_mm,
            shape[2] * column_mm,
        ),
        problem=problem,
        resample_helps=helps,
        thumbnail=_thumbnail(slices[int(stack.order[len(slices) // 2])]),
    )


def _thumbnail(part: SeriesSlice) -> NDArray[np.uint8] | None:
    """Give a small picture of one slice between its 2 and 99.5 percentiles; None where it cannot be decoded."""
    try:
        plane = dicom_pixels.read_frame(part.header, part.frame)
    except PlannerError:
        return None
    step = max(1, int(np.ceil(max(plane.shape) / THUMBNAIL_VOXELS)))
    small = plane[::step, ::step].astype(np.float32)
    low, high = np.quantile(small, [0.02, 0.995])
    return np.asarray(np.clip((small - low) / max(high - low, 1.0) * 255.0, 0.0, 255.0), dtype=np.uint8)
