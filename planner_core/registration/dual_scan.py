"""Dual scan: the patient with the prosthesis and its markers, then the prosthesis alone (or scanned optically).

The markers of both scans give the match; the prosthesis' surface comes out of the second scan and goes into the
patient.
The same holds for a duplicate of a ceramic bridge made in plastic and scanned in its place.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, field, frozen
from scipy.stats import chi2, ncx2
from skimage.measure import marching_cubes

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.air_gap import AirGap, air_gap
from planner_core.registration.edges import GreyField
from planner_core.registration.marker_match import (
    STICKER_SHIFT_MM,
    SURE_QUALITY,
    MarkerMatch,
    match_markers,
)
from planner_core.registration.markers import Marker, find_markers
from planner_core.registration.match import Road
from planner_core.registration.surface_fit import Degradation

ADVISED_MARKERS = 6
"""Markers advised for a dual scan (laboratory instruction pages: six to eight of 1 to 2 mm; S2, trade)."""

SURFACE_FROM = 0.5
"""Iso level of a prosthesis between air and its own material when no body of known size was in the scan: half
way."""

DETECTION_POWER = 0.8
"""Chance with which a deformation of the stated smallest size would be noticed (the usual power of 80 %)."""

NOTICE_P = 0.05
"""Chance of a false alarm of that check."""


@frozen(eq=False)
class Deformation:
    """What the markers say about a change of shape between the scans.

    Attributes
    ----------
    found_mm : float
        RMS marker displacement beyond what localisation explains, mm; zero when nothing stands out.
    smallest_mm : float
        Smallest RMS displacement that this number of markers would show in four of five cases, mm.
    chance : float
        Chance of residuals this large without any deformation.
    """

    found_mm: float
    smallest_mm: float
    chance: float


@frozen(eq=False)
class DualScan:
    """A dual-scan match with the prosthesis in the patient and the checks of both scans.

    Attributes
    ----------
    markers : MarkerMatch
        ``markers.match`` is the match; its source frame is the prosthesis scan.
    prosthesis : Surface
        In LPS of the patient's scan.
    gap : AirGap
    deformation : Deformation
    iso_grey : float or None
        Grey value at which the prosthesis' surface was taken; None for an optical scan.
    findings : tuple of Finding
    """

    markers: MarkerMatch
    prosthesis: Surface
    gap: AirGap
    deformation: Deformation
    iso_grey: float | None = None
    findings: tuple[Finding, ...] = field(factory=tuple)


@frozen(eq=False)
class KnownBody:
    """A body of known size scanned with the prosthesis, to calibrate its iso level.

    Parameters
    ----------
    centre_mm : array of shape (3,)
        Anywhere inside it, LPS of the second scan.
    volume_mm3 : float
        Its true volume.
    reach_mm : float
        A ball of this radius around the centre holds the whole body and nothing else.
    """

    centre_mm: FloatArray = field(converter=readonly)
    volume_mm3: float
    reach_mm: float


def match_dual_scan(
    patient: Volume,
    prosthesis: Volume | Surface,
    *,
    known_body: KnownBody | None = None,
    sites_lps_mm: AnyArray | None = None,
    marker_shift_mm: float = 0.0,
    degradation: Degradation | None = None,
    moving: Sequence[Marker] | None = None,
    fixed: Sequence[Marker] | None = None,
    frame: str = "prosthesis",
    progress: Progress = silent,
) -> DualScan:
    """Match a prosthesis scanned alone to the patient's scan by its markers.

    Parameters
    ----------
    patient : Volume
        The patient wearing the prosthesis.
    prosthesis : Volume or Surface
        The prosthesis alone, or an optical scan of it with its markers.
    known_body : KnownBody, optional
        Calibrates the iso level of the prosthesis' surface.
    marker_shift_mm : float
        RMS shift of the markers in the prosthesis between the scans; zero, as they are part of it.
    moving, fixed : sequence of Marker, optional
        Markers of the prosthesis and of the patient's scan when they are known (clicked); found when not given.

    Raises
    ------
    PlannerError
        If fewer than three markers are found or they do not agree.
    """
    if moving is None and isinstance(prosthesis, Volume):
        moving = find_markers(prosthesis, levels=levels_alone(prosthesis))
    markers = match_markers(
        patient, prosthesis, sites_lps_mm=sites_lps_mm, sticker_shift_mm=marker_shift_mm, degradation=degradation,
        moving=moving, fixed=fixed, frame=frame, progress=part_of(progress, 0.0, 0.7),
    )  # fmt: skip
    markers = evolve(markers, match=evolve(markers.match, road=Road.DUAL_SCAN))
    iso: float | None = None
    if isinstance(prosthesis, Volume):
        progress(0.7, "Taking the surface of the prosthesis")
        body, iso = prosthesis_surface(prosthesis, known_body, frame)
    else:
        body = prosthesis
    placed = body.moved(markers.match.lps_from_surface)
    progress(0.85, "Looking for air under the prosthesis")
    levels = calibrate_grey(patient)
    gap = air_gap(GreyField.of(patient, levels), placed)
    deformation = deformation_of(markers, marker_shift_mm)
    progress(1.0, "")
    return DualScan(
        markers,
        placed,
        gap,
        deformation,
        iso,
        tuple(_findings(markers, prosthesis, gap, deformation, iso, known_body)),
    )


def prosthesis_surface(
    volume: Volume, known_body: KnownBody | None = None, frame: str = "prosthesis"
) -> tuple[Surface, float]:
    """Take the surface of the prosthesis out of its own scan, and the grey value at which it was taken."""
    levels = prosthesis_levels(volume)
    iso = (
        levels[0] + SURFACE_FROM * (levels[1] - levels[0])
        if known_body is None
        else calibrated_iso(volume, known_body)
    )
    stored = np.pad(volume.stored, 1, constant_values=int(volume.stored.min()))
    corners, triangles, _, _ = marching_cubes(stored.astype(np.float32), (iso - volume.offset) / volume.scale)
    points = volume.to_lps(corners.astype(np.float64) - 1.0)
    # Corners come with the inside on the high side in a left-handed or right-handed index frame alike: make them
    # outward.
    surface = Surface(points, triangles.astype(np.int32), frame)
    if _signed_volume(surface) < 0:
        surface = Surface(surface.points_mm, surface.triangles[:, ::-1], frame)
    return surface, float(iso)


def prosthesis_levels(volume: Volume) -> tuple[float, float]:
    """Give the grey values of air and of the prosthesis' own material in its scan (two classes; Otsu 1979)."""
    values = volume.stored.ravel()[:: max(1, volume.stored.size // 2_000_000)].astype(np.float64)
    low, high = np.quantile(values, [0.001, 0.999])
    if high <= low:
        raise PlannerError("Nothing but one grey value is in the scan of the prosthesis.", "Choose another series.")
    counts, edges = np.histogram(np.clip(values, low, high), bins=256)
    centres = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(counts)
    total = np.cumsum(counts * centres)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = below * (below[-1] - below) * (total / below - (total[-1] - total) / (below[-1] - below)) ** 2
    cut = centres[int(np.nanargmax(spread[:-1]))]
    air, body = float(np.median(values[values < cut])), float(np.median(values[values >= cut]))
    return volume.scale * air + volume.offset, volume.scale * body + volume.offset


def levels_alone(volume: Volume) -> GreyLevels:
    """Give the grey scale of a scan that holds nothing but a prosthesis: its material stands for soft tissue.

    The usual calibration looks for soft tissue and bone, of which there are none.
    """
    air, body = prosthesis_levels(volume)
    outside = volume.grey(volume.stored.ravel()[:: max(1, volume.stored.size // 500_000)])
    outside = outside[outside < 0.5 * (air + body)]
    noise = 1.4826 * float(np.median(np.abs(outside - np.median(outside)))) if len(outside) else 0.0
    low, high = float(volume.stored.min()), float(volume.stored.max())
    return GreyLevels(
        air=air,
        soft_tissue=body,
        bone=body + 1.3 * (body - air),
        noise_sd=noise,
        lowest=volume.scale * low + volume.offset,
        highest=volume.scale * high + volume.offset,
    )


def calibrated_iso(volume: Volume, body: KnownBody) -> float:
    """Give the grey value at which a body of known size takes its true volume."""
    reach = np.ceil(body.reach_mm / np.array(volume.spacing_mm)).astype(int)
    middle = np.rint(volume.to_index(body.centre_mm)).astype(int)
    box = tuple(
        slice(max(0, int(m - r)), min(n, int(m + r) + 1))
        for m, r, n in zip(middle, reach, volume.shape, strict=True)
    )
    values = volume.grey(volume.stored[box])
    if values.size == 0:
        raise PlannerError("The body of known size lies outside the scan.", "Give its place again.")
    index = np.stack(np.meshgrid(*[np.arange(s.start, s.stop) for s in box], indexing="ij"), axis=-1)
    near = np.linalg.norm(volume.to_lps(index.reshape(-1, 3)) - body.centre_mm, axis=1) <= body.reach_mm
    sorted_values = np.sort(values.ravel()[near])[::-1]
    wanted = body.volume_mm3 / volume.voxel_volume_mm3
    if not 8 <= wanted < len(sorted_values):
        raise PlannerError(
            f"A body of {body.volume_mm3:.0f} mm3 does not fit a ball of {body.reach_mm:.1f} mm around the "
            "place given.",
            "Check the size of the body.",
        )
    return float(np.interp(wanted, np.arange(1, len(sorted_values) + 1), sorted_values))


def _signed_volume(surface: Surface) -> float:
    a, b, c = (surface.points_mm[surface.triangles[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6.0)


def deformation_of(result: MarkerMatch, shift_mm: float = STICKER_SHIFT_MM) -> Deformation:
    """Say whether the markers have moved against each other, and how small a change they could show."""
    turn = result.match.lps_from_surface.rotation
    a = np.array([result.moving[i].centre_mm for i, _ in result.pairs])
    b = np.array([result.fixed[j].centre_mm for _, j in result.pairs])
    covariances = np.array(
        [
            turn @ result.moving[i].covariance_mm2 @ turn.T
            + result.fixed[j].covariance_mm2
            + shift_mm**2 / 3.0 * np.eye(3)
            for i, j in result.pairs
        ]
    )
    left = b - result.match.lps_from_surface.apply(a)
    squares = float(np.einsum("ni,nij,nj->", left, np.linalg.inv(covariances), left))
    freedom = 3 * len(a) - 6
    chance = float(chi2.sf(squares, freedom))
    per_axis = float(np.sqrt(np.mean(np.trace(covariances, axis1=1, axis2=2)) / 3.0))
    limit = float(chi2.ppf(1.0 - NOTICE_P, freedom))
    strength = np.linspace(0.0, 60.0, 2401)[1:]
    enough = strength[np.searchsorted(ncx2.sf(limit, freedom, strength), DETECTION_POWER)]
    # The fit takes six of the 3 n directions of a displacement for motion; only the rest shows.
    shown = len(a) - 2
    excess = max(0.0, squares - freedom) if chance < NOTICE_P else 0.0
    return Deformation(per_axis * float(np.sqrt(excess / shown)), per_axis * float(np.sqrt(enough / shown)), chance)


def _findings(
    markers: MarkerMatch,
    prosthesis: Volume | Surface,
    gap: AirGap,
    deformation: Deformation,
    iso: float | None,
    known_body: KnownBody | None,
) -> list[Finding]:
    findings = list(markers.match.findings)
    paired = ({j for _, j in markers.pairs}, {i for i, _ in markers.pairs})
    sure = [
        sum(marker.quality >= SURE_QUALITY or k in known for k, marker in enumerate(side))
        for side, known in zip((markers.fixed, markers.moving), paired, strict=True)
    ]
    used = len(markers.pairs)
    if min(sure) > used or sure[0] != sure[1]:
        findings.append(
            Finding(
                Severity.WARNING,
                "marker-count",
                f"The patient's scan shows {sure[0]} likely markers, the prosthesis alone {sure[1]}; {used} "
                "of them agree. "
                "Check that none was lost, added or hidden.",
            )
        )
    if used < ADVISED_MARKERS:
        findings.append(
            Finding(
                Severity.WARNING,
                "few-markers",
                f"{used} markers agree; at least {ADVISED_MARKERS} are advised for a dual scan (laboratory "
                "practice).",
            )
        )
    findings.append(gap.finding)
    if deformation.found_mm > 0:
        findings.append(
            Finding(
                Severity.WARNING,
                "deformed",
                f"The markers have moved against each other by {deformation.found_mm:.2f} mm rms between the "
                "scans: the "
                "prosthesis was bent, or a marker was replaced.",
            )
        )
    else:
        findings.append(
            Finding(
                Severity.NOTE,
                "no-deformation-seen",
                f"No deformation seen; {used} markers would show one of {deformation.smallest_mm:.2f} mm rms "
                "or more.",
            )
        )
    if iso is not None and known_body is None and isinstance(prosthesis, Volume):
        findings.append(
            Finding(
                Severity.NOTE,
                "iso-uncalibrated",
                "The surface of the prosthesis was taken half way between air and its material. A body of "
                "known size "
                "in the same scan would calibrate it.",
            )
        )
    return findings
