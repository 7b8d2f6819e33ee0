"""Matching by radiopaque markers: found in both scans, paired without an order, fitted with the error of each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen
from scipy.stats import chi2

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.correspondence import Correspondence, correspond
from planner_core.registration.edges import GreyField
from planner_core.registration.fiducials import match_paired
from planner_core.registration.marker_evidence import weigh_by_surface
from planner_core.registration.marker_second_look import second_look
from planner_core.registration.markers import Marker, find_markers
from planner_core.registration.match import Match, Road
from planner_core.registration.pair_checks import leave_one_out
from planner_core.registration.rigid_fit import likeliest_rigid
from planner_core.registration.surface_fit import Degradation
from planner_core.registration.surface_markers import find_surface_markers
from planner_core.registration.surface_trust import TRUST_P95_MM

STICKER_SHIFT_MM = 0.06
"""RMS shift of a glued marker between the two scans, 3-D, mm (our choice, a setting; markers glued on casts
agreed within
0.1 mm in 81 % of cases, Rangel et al. 2013, PLoS ONE 8(3):e59130; S)."""

DROP_P = 1e-3
"""A pair less likely than this, given the others, is left out (our choice)."""

SURE_QUALITY = 0.5
"""Pairs of at least this quality on both sides are markers; others may be cusps, left out without a word."""

CHANCE_COUNT = 6
"""With more candidates than this in either set, three agreeing distances can be chance (our choice)."""

CHANCE_RIVAL = 0.6
"""Three agreeing markers among many stand only if no other motion scores more than this share of theirs (our
choice,
tested in tests/studies)."""


@frozen(eq=False)
class MarkerMatch:
    """A match by markers and what it was made from.

    Attributes
    ----------
    match : Match
    moving, fixed : tuple of Marker
        Candidates found in the surface scan (or second volume) and in the volume.
    pairs : tuple of (int, int)
        Which belong together, after leaving out what does not agree.
    left_out : tuple of (int, int)
        Pairs that were found but do not agree with the rest.
    """

    match: Match
    moving: tuple[Marker, ...]
    fixed: tuple[Marker, ...]
    pairs: tuple[tuple[int, int], ...]
    left_out: tuple[tuple[int, int], ...] = ()


def match_markers(
    volume: Volume,
    other: Surface | Volume,
    *,
    sites_lps_mm: AnyArray | None = None,
    sticker_shift_mm: float = STICKER_SHIFT_MM,
    degradation: Degradation | None = None,
    moving: Sequence[Marker] | None = None,
    fixed: Sequence[Marker] | None = None,
    frame: str = "surface",
    look_again: bool | None = None,
    progress: Progress = silent,
) -> MarkerMatch:
    """Match a surface scan, or a second volume, to a volume by markers that both show.

    Parameters
    ----------
    volume : Volume
    other : Surface or Volume
    sites_lps_mm : array of shape (n, 3), optional
        Planned sites, at which the error must be small.
    sticker_shift_mm : float
        RMS shift of a marker between the scans; zero when it cannot have moved.
    degradation : callable, optional
        The scan check's level (0..1) at LPS points.
    moving, fixed : sequence of Marker, optional
        Markers of `other` and of `volume` when they are known already (clicked); found when not given.
    frame : str
        Name of the second volume's frame; a surface brings its own.
    look_again : bool, optional
        Look in the volume where the match expects markers that are not paired; left out, only if the volume's
        markers were looked for (what a user crossed out must not come back).

    Raises
    ------
    PlannerError
        If fewer than three markers are found or nothing fits.
    """
    look_again = fixed is None if look_again is None else look_again
    if fixed is None:
        fixed = find_markers(volume, degradation=degradation, progress=part_of(progress, 0.0, 0.6))
    if moving is None:
        moving = (
            find_surface_markers(other, progress=part_of(progress, 0.6, 0.9))
            if isinstance(other, Surface)
            else find_markers(other, progress=part_of(progress, 0.6, 0.9))
        )
    source = other.frame if isinstance(other, Surface) else frame
    _refuse_few(moving, fixed)
    found = correspond(moving, fixed, source=source)
    if len(found.pairs) < 3 or found.motion is None:
        raise PlannerError(
            f"No three of the {len(moving)} and {len(fixed)} marker candidates have the same distances in "
            "both scans.",
            "Check that the same markers sat in the same places for both scans, or click three matching points.",
        )
    confirmed = False
    if isinstance(other, Surface):
        found, confirmed = weigh_by_surface(found, tuple(moving), other, volume)
    result = match_marker_pairs(moving, fixed, found, sticker_shift_mm, source, sites_lps_mm, confirmed=confirmed)
    if look_again:
        result = _looked_again(
            result, found, volume, degradation, sticker_shift_mm, source, sites_lps_mm, confirmed
        )
    progress(1.0, "")
    return _only_if_sure(result)


def _only_if_sure(result: MarkerMatch) -> MarkerMatch:
    """Take back the trust of a match that stands on what may be cusps: three pairs must surely be markers."""
    sure = sum(min(result.moving[i].quality, result.fixed[j].quality) >= SURE_QUALITY for i, j in result.pairs)
    if sure >= 3 or not result.match.trusted:
        return result
    reason = (
        f"Only {sure} of the {len(result.pairs)} pairs are surely markers in both scans; the others may be cusps. "
        "Click three markers, or match by the surface."
    )
    match = evolve(result.match, trusted=False, reasons=(*result.match.reasons, reason))
    return evolve(result, match=match)


def _looked_again(
    first: MarkerMatch, found: Correspondence, volume: Volume, degradation: Degradation | None, shift_mm: float,
    source: str, sites_lps_mm: AnyArray | None, confirmed: bool,
) -> MarkerMatch:  # fmt: skip
    """Look where the match expects the markers that are not paired, and match anew with what is found."""
    paired = {i for i, _ in (*first.pairs, *first.left_out)}
    wanted = [i for i, m in enumerate(first.moving) if m.quality >= SURE_QUALITY and i not in paired]
    if not wanted or not first.match.trusted:
        return first
    field = GreyField.of(volume, calibrate_grey(volume))
    looked = second_look(volume, field, first.match, first.moving, wanted, degradation)
    result = first
    if looked.found:
        more = tuple((i, len(first.fixed) + k) for k, (i, _) in enumerate(looked.found))
        fixed = (*first.fixed, *(marker for _, marker in looked.found))
        every = evolve(found, pairs=(*found.pairs, *more))
        result = match_marker_pairs(
            first.moving, fixed, every, shift_mm, source, sites_lps_mm, first.match.road, confirmed
        )
    findings = (*result.match.findings, *looked.findings)
    return evolve(result, match=evolve(result.match, findings=findings))


def _refuse_few(moving: Sequence[Marker], fixed: Sequence[Marker]) -> None:
    for count, where in ((len(moving), "surface scan or second volume"), (len(fixed), "volume")):
        if count < 3:
            raise PlannerError(
                f"Only {count} marker{'' if count == 1 else 's'} found in the {where}; three are needed.",
                "Click the markers by hand, or choose another road.",
            )


def pair_covariances(
    moving: Sequence[Marker], fixed: Sequence[Marker], found: Correspondence, shift_mm: float
) -> AnyArray:
    """Give the error covariance (mm^2) of each pair in LPS: both centres and the sticker's shift."""
    assert found.motion is not None
    turn = found.motion.rotation
    return np.array(
        [
            turn @ moving[i].covariance_mm2 @ turn.T + fixed[j].covariance_mm2 + shift_mm**2 / 3.0 * np.eye(3)
            for i, j in found.pairs
        ]
    )


def match_marker_pairs(
    moving: Sequence[Marker],
    fixed: Sequence[Marker],
    found: Correspondence,
    shift_mm: float,
    source: str,
    sites_lps_mm: AnyArray | None,
    road: Road = Road.MARKERS,
    confirmed: bool = False,
) -> MarkerMatch:
    """Fit paired markers, leave out what does not agree, and judge the result.

    `confirmed` says that something else than the markers speaks for the pairing (the surface lies on edges).
    """
    a = np.array([moving[i].centre_mm for i, _ in found.pairs])
    b = np.array([fixed[j].centre_mm for _, j in found.pairs])
    covariances = pair_covariances(moving, fixed, found, shift_mm)
    quality = np.array([min(moving[i].quality, fixed[j].quality) for i, j in found.pairs])
    keep, dropped = _agreeing(a, b, covariances, quality)
    names = [f"M{k + 1}" for k in range(len(found.pairs))]
    match = match_paired(a[keep], b[keep], covariances[keep], [names[k] for k in keep], source, road)
    moved = [k for k in dropped if quality[k] >= SURE_QUALITY]
    findings = list(match.findings)
    for k in moved:
        off = float(np.linalg.norm(match.lps_from_surface.apply(a[k]) - b[k]))
        place = ", ".join(f"{x:.0f}" for x in b[k])
        findings.append(
            Finding(
                Severity.WARNING,
                "moved-marker",
                f"One marker (at {place} mm LPS) lies {off:.1f} mm from where the others expect it: it has moved "
                "between the scans and was left out.",
                where=names[k],
            )
        )
    reasons = list(match.reasons) + _doubts(
        match, found, moving, fixed, 0 if confirmed else len(keep), sites_lps_mm
    )
    findings += [
        Finding(Severity.BLOCKER, "marker-match-untrusted", text) for text in reasons if text not in match.reasons
    ]
    judged = evolve(
        match,
        findings=tuple(findings),
        reasons=tuple(reasons),
        trusted=not reasons,
        used_share=len(keep) / len(found.pairs),
    )
    pairs = tuple(found.pairs[k] for k in keep)
    return MarkerMatch(judged, tuple(moving), tuple(fixed), pairs, tuple(found.pairs[k] for k in dropped))


def _agreeing(a: AnyArray, b: AnyArray, covariances: AnyArray, quality: AnyArray) -> tuple[list[int], list[int]]:
    """Leave out, one by one, the pair that agrees least with the others, as long as enough are left to tell."""
    keep, dropped = list(range(len(a))), []
    while len(keep) > 4:
        pose, _ = likeliest_rigid(a[keep], b[keep], covariances[keep])
        left = b[keep] - pose.apply(a[keep])
        squares = np.einsum("ni,nij,nj->n", left, np.linalg.inv(covariances[keep]), left)
        _, chance, _ = leave_one_out(a[keep], b[keep], covariances[keep])
        unlikely = chance < DROP_P
        if not unlikely.any() and chi2.sf(float(squares.sum()), 3 * len(keep) - 6) > DROP_P:
            break
        # Of the unlikely ones a doubtful candidate goes first; else the least likely.
        order = np.lexsort((chance, quality[keep] >= SURE_QUALITY))
        worst = next((int(k) for k in order if unlikely[k]), None)
        if worst is None:
            break
        dropped.append(keep.pop(worst))
    return keep, dropped


def _doubts(
    match: Match,
    found: Correspondence,
    moving: Sequence[Marker],
    fixed: Sequence[Marker],
    used: int,
    sites_lps_mm: AnyArray | None,
) -> list[str]:
    """Give the reasons why a marker match cannot be trusted."""
    doubts = []
    if found.ambiguous:
        doubts.append(
            f"The markers fit in {found.rivals + 1} different ways (a symmetric set, or too many "
            "look-alikes): click "
            "three matching markers to say which is meant."
        )
    if found.mirrored_pairs >= max(4, len(found.pairs)):
        doubts.append(
            f"A mirror image brings {found.mirrored_pairs} markers together, the scan itself only "
            f"{len(found.pairs)}: "
            "one of the scans is mirrored, or left and right were exchanged."
        )
    many = max(len(moving), len(fixed)) > CHANCE_COUNT
    weak = any(min(moving[i].quality, fixed[j].quality) < SURE_QUALITY for i, j in found.pairs)
    if used == 3 and many and (weak or found.rival_score > CHANCE_RIVAL):
        doubts.append(
            f"Only three of {len(moving)} and {len(fixed)} marker candidates agree, which can be chance: click "
            "the "
            "markers, or add some."
        )
    if sites_lps_mm is not None:
        worst = max(match.expected_p95_mm(site) for site in np.atleast_2d(sites_lps_mm))
        if worst > TRUST_P95_MM:
            doubts.append(
                f"The error to be expected at a planned site is {worst:.1f} mm (95 %), more than "
                f"{TRUST_P95_MM:.1f} "
                "mm: markers are missing around it."
            )
    return doubts
