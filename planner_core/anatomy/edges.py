# mypy: allow-untyped-defs
"""Where a hard tissue begins on a profile: the level half way between what lies locally outside and inside.

One global threshold puts the border of a dense cortex too far out and that of a thin plate too far in; a local
middle level does not depend on the scan's offset and gain, nor on the slow shading of cone-beam scans.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numba import njit
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from planner_core.anatomy.sampling import grey_at
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

STEP_MM = 0.1
"""Spacing of a profile's samples, mm (our choice: well under a voxel)."""

OUTSIDE_FROM_MM, OUTSIDE_TO_MM = 0.5, 1.6
"""Stretch outside the border that gives the local soft tissue, mm (our choice: mucosa is 1 mm and more thick)."""

INSIDE_TO_MM = 1.6
"""Stretch inside the border whose peak is the local cortex, mm (cortical plates are 1 to 3 mm; M)."""

LEAST_RISE = 0.3
"""A border counts from this share of the scan's own soft-to-bone step on (our choice: thin plates look fainter)."""


THIN_MM, THIN_TO, THICK_FROM, SHOULDER = 1.0, 0.6, 0.9, 0.95
"""A cortex whose grey value, this far (mm) behind the shoulder of its peak, has fallen to the first of these shares
of its rise is thin against the blur; above the second it is thick (our choice)."""

THICK_SHARE, THIN_SHARE = 0.5, 0.6
"""Share of the way from outside to the peak at which a thick and a thin cortex begin: blur lowers a thin plate's
peak, so its border lies higher on its flank (our choice, tests/studies anatomy: where the plates' own density is
not known `thin_plate_level` errs by half as much again)."""

THIN_WEIGHT = 0.85
"""How far the level of a thin plate of known density goes from the middle one to `thin_plate_level` (our choice,
tests/studies anatomy: cone-beam shading and lighter cortex lie between)."""

ENAMEL_STEP = 0.6
"""What exceeds compact bone by this share of the soft-to-bone step is enamel or a restoration (NIST XCOM at 60 keV:
enamel is about twice as far from soft tissue as bone; M)."""


def enamel_from(levels: GreyLevels) -> float:
    """Give the grey value above which enamel and restorations lie, also where the scan was cut off below that."""
    wanted = levels.bone + ENAMEL_STEP * (levels.bone - levels.soft_tissue)
    if levels.saturated:
        # A plateau at the top of the scale is enamel or denser: half-way to it is above all bone.
        return min(wanted, 0.5 * (levels.bone + levels.highest))
    return wanted


# A thin plate of full density D, blurred by a normal law, peaks at p D and has the value L D at its true border:
# p = 2 Phi(t/2s) - 1, L = 1/2 - Phi(-t/s), so L = 1/2 - Phi(-2 Phi^-1((1 + p)/2)) whatever the blur s (our
# derivation; the idea of a known cortical density is that of Treece et al. 2010, Med Image Anal 14:276; M).
_PEAKS = np.linspace(0.0, 0.999, 60)
BORDER_SHARE = 0.5 - norm.cdf(-2.0 * norm.ppf((1.0 + _PEAKS) / 2.0))
"""Value at the true border over D, for peaks of 0 to 1 times D in even steps."""


def thin_plate_level(peak_share: ArrayLike) -> FloatArray:
    """Give the value at a thin plate's true border for its blurred peak, both over its full density."""
    return np.interp(np.asarray(peak_share, dtype=np.float64), _PEAKS, BORDER_SHARE)


@frozen(eq=False)
class Edges:
    """Borders found along rays.

    Parameters
    ----------
    at_mm : array of shape (n,)
        Place of the border along each ray from its start, nan where there is none.
    rise : array of shape (n,)
        Grey-value step from outside to inside there.
    inside : array of shape (n,)
        Local grey value of the hard tissue.
    """

    at_mm: FloatArray
    rise: FloatArray
    inside: FloatArray

    @property
    def found(self) -> NDArray[np.bool_]:
        """Where a border was found, shape (n,)."""
        return np.isfinite(self.at_mm)


@njit(nogil=True, cache=True)
def _median(values, count):
    part = np.sort(values[:count])
    return 0.5 * (part[(count - 1) // 2] + part[count // 2])


@njit(nogil=True, cache=True)
def _rising(profile, peak_at, level):
    """Last place before the peak where the profile rises through a level, nan if none."""
    for k in range(peak_at, 0, -1):
        if profile[k] >= level > profile[k - 1]:
            return k - 1 + (level - profile[k - 1]) / (profile[k] - profile[k - 1])
    return np.nan


@njit(nogil=True, cache=True)
def _edge(profile, begin, soft, dense, least, floor, lengths, border_share, known):
    """Border on one profile that runs from outside to inside, searched from sample `begin` on.

    Returns place (samples, nan if none), rise and inside value.
    """
    near, far, deep = lengths[0], lengths[1], lengths[2]
    count = profile.shape[0]
    trigger = soft + least
    first = -1
    for k in range(begin, count):
        if profile[k] >= trigger:
            first = k
            break
    if first < 0:
        return np.nan, 0.0, 0.0
    peak, peak_at = profile[first], first
    for k in range(first, min(count, first + deep)):
        if profile[k] > peak:
            peak, peak_at = profile[k], k
    outside = np.empty(far + 1)
    taken = 0
    for k in range(max(0, first - far), max(0, first - near)):
        # Air outside thin mucosa must not count as soft tissue.
        if profile[k] > floor and profile[k] < trigger:
            outside[taken] = profile[k]
            taken += 1
    base = _median(outside, taken) if taken >= 3 else soft
    if peak - base < least:
        return np.nan, 0.0, 0.0
    if known:
        level = 0.5 * (base + peak)
        at = peak_at + lengths[3]
        if at < count and peak - base < dense and profile[at] < base + 0.75 * (peak - base):
            place = (peak - base) / dense * (border_share.shape[0] - 1)
            low = min(int(place), border_share.shape[0] - 2)
            share = border_share[low] + (place - low) * (border_share[low + 1] - border_share[low])
            level = (1.0 - THIN_WEIGHT) * level + THIN_WEIGHT * (base + share * dense)
        return _rising(profile, peak_at, level), peak - base, peak
    shoulder = peak_at
    while shoulder > 0 and profile[shoulder - 1] >= base + SHOULDER * (peak - base):
        shoulder -= 1
    behind = (profile[min(shoulder + lengths[3], count - 1)] - base) / (peak - base)
    thick = min(max((behind - THIN_TO) / (THICK_FROM - THIN_TO), 0.0), 1.0)
    level = base + (THIN_SHARE + thick * (THICK_SHARE - THIN_SHARE)) * (peak - base)
    return _rising(profile, peak_at, level), peak - base, peak


@njit(nogil=True, cache=True)
def _all_edges(profiles, begin, soft, dense, least, floor, lengths, border_share, known, place, rise, inside):
    for k in range(profiles.shape[0]):
        place[k], rise[k], inside[k] = _edge(
            profiles[k], begin[k], soft, dense, least, floor, lengths, border_share, known
        )


def profiles_along(
    volume: Volume,
    starts_lps_mm: ArrayLike,
    directions_lps: ArrayLike,
    length_mm: float,
    spread: ArrayLike | None = None,
) -> FloatArray:
    """Give grey values along rays, shape (n, m), every `STEP_MM`; outside the volume the nearest value is repeated.

    Parameters
    ----------
    starts_lps_mm, directions_lps : arrays of shape (n, 3)
    spread : array of shape (s, 3) or (n, s, 3), optional
        Shifts (mm) over which parallel rays are averaged against noise.
    """
    starts = np.asarray(starts_lps_mm, dtype=np.float64).reshape(-1, 3)
    directions = np.broadcast_to(np.asarray(directions_lps, dtype=np.float64), starts.shape)
    along = np.arange(round(length_mm / STEP_MM) + 1) * STEP_MM
    points = starts[:, None, :] + along[None, :, None] * directions[:, None, :]
    if spread is None:
        values = grey_at(volume, points).astype(np.float64)
    else:
        shifts = np.asarray(spread, dtype=np.float64)
        shifts = np.broadcast_to(shifts, (len(starts), *shifts.shape[-2:]))
        total = np.zeros(points.shape[:2])
        for k in range(shifts.shape[1]):
            total += grey_at(volume, points + shifts[:, k][:, None, :])
        values = total / shifts.shape[1]
    return _without_gaps(values)


def _without_gaps(values: FloatArray) -> FloatArray:
    """Repeat the nearest value of each ray where it leaves the volume."""
    good = np.isfinite(values)
    if good.all():
        return values
    number = np.where(good, np.arange(values.shape[1]), -1)
    last = np.maximum.accumulate(number, axis=1)
    later = np.where(good, np.arange(values.shape[1]), values.shape[1])
    following = np.minimum.accumulate(later[:, ::-1], axis=1)[:, ::-1]
    take = np.where(last >= 0, last, np.minimum(following, values.shape[1] - 1))
    out = np.take_along_axis(values, take, axis=1)
    return np.where(np.isfinite(out), out, 0.0)


def find_edges(
    profiles: FloatArray,
    levels: GreyLevels,
    begin_mm: ArrayLike = 0.0,
    least_rise: float = LEAST_RISE,
    known_density: bool = True,
) -> Edges:
    """Find the first border to hard tissue on profiles that run from outside to inside.

    Parameters
    ----------
    profiles : array of shape (n, m)
        Grey values every `STEP_MM`.
    begin_mm : float or array of shape (n,)
        Where the search starts on each ray.
    known_density : bool
        Whether a thin plate counts as dense as the scan's compact bone.
    """
    count = len(profiles)
    begin = np.clip(np.broadcast_to(np.asarray(begin_mm, dtype=np.float64) / STEP_MM, (count,)), 0, None)
    place, rise, inside = np.empty(count), np.empty(count), np.empty(count)
    stretches = (OUTSIDE_FROM_MM, OUTSIDE_TO_MM, INSIDE_TO_MM, THIN_MM)
    lengths = tuple(round(length / STEP_MM) for length in stretches)
    dense = levels.bone - levels.soft_tissue
    _all_edges(
        np.ascontiguousarray(profiles),
        begin.astype(np.int64),
        levels.soft_tissue,
        dense,
        least_rise * dense,
        levels.air_threshold,
        lengths,
        BORDER_SHARE,
        known_density,
        place,
        rise,
        inside,
    )
    return Edges(place * STEP_MM, rise, inside)
