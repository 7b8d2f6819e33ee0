"""Finding where a surface scan lies in a volume without any help, coarse (1 to 3 mm) but from anywhere.

The surface's oriented points are laid over the volume's fall of grey values (negative gradient, each edge
counting
about alike). For every turn on a grid, all shifts are scored at once by correlation (fast Fourier transform);
the best
few poses are refined on the real edges and the best of those wins. No threshold and no feature is needed.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from scipy import fft
from scipy.ndimage import gaussian_filter

from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.edges import GreyField
from planner_core.registration.rigid_fit import rotation_from_vector
from planner_core.registration.settle import apart_mm
from planner_core.registration.surface_fit import (
    COARSE_STAGES,
    Stage,
    SurfaceFit,
    fit_surface,
)
from planner_core.registration.surface_sample import SurfaceSample

GRID_MM = 3.0
"""Spacing of the coarse grid, mm (our choice: several cells across a tooth)."""

QUICK_TURNS_DEG = (30.0, 15.0)
"""Reach and spacing of the turns tried first about each upright guess, degrees (heads lie within 30 degrees in
the scanner; the fit that follows reaches further than half the spacing; our choice, tested)."""

PATIENT_TURNS_DEG = (45.0, 15.0)
"""The same when the first search finds nothing good: partial arches do not tell their own axes well."""

GOOD_SCORE = 0.5
"""Share of the surface that finds its edge near by from which the search stops (our choice; the right place in a
clean mouth scores above 0.8, a wrong one below 0.5 in tests/core/registration)."""

COARSE_CLIP = 2.5
"""Relative grey value above which nothing counts in the rough search, so that metal does not drown the teeth."""

UPRIGHT_SHARE = 0.10
"""A mean normal longer than this tells which side of an open scan is the chewing side (closed bodies have
zero)."""

FAIR_SCORE, STANDS_OUT = 0.3, 0.75
"""In a streaked mouth the right place scores less, but no second place comes near it (a wrong place of half an arch
scored 0.21 in tests/studies)."""

CANDIDATES = 8
"""Poses refined on the real edges for each guess (our choice)."""

SAME_POSE_MM = 3.0
"""Poses that carry the surface to within this distance count as one, mm."""

SCORE_STAGE = Stage(2500, 1.5, 0.8, 1)


@frozen(eq=False)
class CoarseVolume:
    """The volume's edges on a coarse LPS grid.

    Parameters
    ----------
    fall : array of shape (3, a, b, c)
        Direction and strength (0..1) of the fall of grey values, LPS components.
    origin_lps_mm : array of shape (3,)
        Of cell (0, 0, 0); axes follow x, y, z.
    """

    fall: AnyArray
    origin_lps_mm: FloatArray = field(converter=readonly)


@frozen(eq=False)
class Candidate:
    """A refined pose with the share of the surface that finds its edge near by."""

    fit: SurfaceFit
    score: float


def coarse_volume(volume: Volume, levels: GreyLevels, grid_mm: float = GRID_MM) -> CoarseVolume:
    """Build the coarse grid of grey-value falls."""
    spacing = np.array(volume.spacing_mm)
    factor = np.maximum(1, np.floor(0.5 * grid_mm / spacing)).astype(int)
    size = np.array(volume.shape) // factor * factor
    thin = volume.stored[: size[0], : size[1], : size[2]]
    blocks = thin.reshape(
        size[0] // factor[0], factor[0], size[1] // factor[1], factor[1], size[2] // factor[2], factor[2]
    )
    mean = blocks.mean(axis=(1, 3, 5), dtype=np.float32)
    relative = np.clip(levels.relative(volume.grey(mean)), 0.0, COARSE_CLIP)
    step = spacing * factor
    smooth = gaussian_filter(relative, 0.35 * grid_mm / step)
    slopes = np.stack(np.gradient(smooth, *step), axis=-1)
    # Index gradients to LPS: the rows of the inverse axes, unit length per mm along each axis.
    axes = volume.lps_from_index[:3, :3] / spacing
    fall = -slopes @ np.linalg.inv(axes)
    strength = np.linalg.norm(fall, axis=-1, keepdims=True)
    fall = fall / (strength + 0.15)
    return _onto_lps_grid(fall, volume, factor, grid_mm)


def _onto_lps_grid(fall: AnyArray, volume: Volume, factor: AnyArray, grid_mm: float) -> CoarseVolume:
    """Average the falls of the coarse index grid onto an LPS-aligned one."""
    index = np.stack(np.meshgrid(*[np.arange(n) for n in fall.shape[:3]], indexing="ij"), axis=-1)
    places = volume.to_lps(((index + 0.5) * factor - 0.5).reshape(-1, 3))
    low = places.min(axis=0)
    cell = np.floor((places - low) / grid_mm + 0.5).astype(np.int64)
    shape = cell.max(axis=0) + 1
    flat = np.ravel_multi_index(cell.T, shape)
    count = np.maximum(np.bincount(flat, minlength=int(np.prod(shape))), 1)
    parts = [np.bincount(flat, fall[..., k].ravel(), minlength=int(np.prod(shape))) / count for k in range(3)]
    return CoarseVolume(np.stack([part.reshape(shape) for part in parts]).astype(np.float32), low)


def upright_guesses(sample: SurfaceSample, jaw_up: float | None) -> list[FloatArray]:
    """Give rotations that set the surface upright in LPS as its own shape suggests.

    An open scan looks at the chewing side; the arch opens to the back. A closed body does not tell which side is
    the chewing side, so that more guesses are given.

    Parameters
    ----------
    jaw_up : float or None
        +1 when the chewing side looks to the head (lower jaw), -1 for the upper jaw, None when unknown.
    """
    weights = sample.areas_mm2 / sample.areas_mm2.sum()
    centred = sample.points_mm - weights @ sample.points_mm
    _, _, axes = np.linalg.svd(centred * np.sqrt(weights)[:, None], full_matrices=False)
    mean_normal = weights @ sample.normals
    if np.linalg.norm(mean_normal) > UPRIGHT_SHARE:
        ups = [mean_normal / np.linalg.norm(mean_normal)]
    else:
        ups = [axes[2], -axes[2]]
    guesses = []
    for up in ups:
        for sign in (1.0, -1.0) if jaw_up is None else (jaw_up,):
            for front in _fronts(centred, weights, axes, up):
                target = np.array([[0.0, 0.0, sign], [0.0, -1.0, 0.0]])
                guesses.append(_turn_onto(np.array([up, front]), target))
    return guesses


def _fronts(centred: FloatArray, weights: FloatArray, axes: FloatArray, up: FloatArray) -> list[FloatArray]:
    """Give the directions in which the front of the arch may lie, the likelier first."""
    flat = centred - np.outer(centred @ up, up)
    _, _, plane = np.linalg.svd(flat * np.sqrt(weights)[:, None], full_matrices=False)
    candidates = []
    for axis in (plane[0], plane[1]):
        along = flat @ axis
        across = flat @ np.cross(up, axis)
        # At the closed front the arch is one piece about the middle; at the open back its middle is empty.
        third = 0.33 * (along.max() - along.min())
        ends = (along > along.max() - third, along < along.min() + third)
        middle = [
            float(weights[end & (np.abs(across) < 8.0)].sum() / max(1e-9, weights[end].sum())) for end in ends
        ]
        candidates.append((middle[0] - middle[1], axis))
        candidates.append((middle[1] - middle[0], -axis))
    candidates.sort(key=lambda item: -item[0])
    return [axis for _, axis in candidates]


def _turn_onto(source: FloatArray, target: FloatArray) -> FloatArray:
    """Give the rotation that takes two perpendicular directions (rows) onto two others."""

    def frame(rows: FloatArray) -> FloatArray:
        return np.stack([rows[0], rows[1], np.cross(rows[0], rows[1])])

    return np.asarray(frame(target).T @ frame(source))


def turn_grid(reach_deg: float, step_deg: float) -> list[FloatArray]:
    """Give rotations within `reach_deg` of none, on a grid of rotation vectors."""
    count = int(reach_deg / step_deg)
    axis = np.arange(-count, count + 1) * step_deg
    vectors = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    vectors = vectors[np.linalg.norm(vectors, axis=1) <= reach_deg + 1e-6]
    order = np.argsort(np.linalg.norm(vectors, axis=1), kind="stable")
    return [rotation_from_vector(np.radians(vector)) for vector in vectors[order]]


def correlate(
    coarse: CoarseVolume, sample: SurfaceSample, rotations: list[FloatArray], progress: Progress = silent
) -> list[tuple[float, FloatArray, FloatArray]]:
    """Score all shifts of each rotation; give the best (score, rotation, translation) of each, best first."""
    reach = float(np.linalg.norm(np.ptp(sample.points_mm, axis=0)))
    # Half the surface may hang out of the volume before shifts wrap round onto one another.
    pad = [fft.next_fast_len(int(n + 0.6 * reach / GRID_MM) + 2, real=True) for n in coarse.fall.shape[1:]]
    least = int(reach / GRID_MM) + 2
    pad = [max(n, fft.next_fast_len(least, real=True)) for n in pad]
    spectrum = fft.rfftn(coarse.fall, s=pad, axes=(1, 2, 3), workers=2)
    weights = sample.areas_mm2 / sample.areas_mm2.sum()
    found = []
    for number, rotation in enumerate(rotations):
        if number % 16 == 0:
            progress(number / len(rotations), "Looking for the place of the surface scan")
        points = sample.points_mm @ rotation.T
        low = points.min(axis=0)
        cell = np.floor((points - low) / GRID_MM + 0.5).astype(np.int64)
        flat = np.ravel_multi_index(cell.T, pad)
        normals = sample.normals @ rotation.T
        laid = np.stack(
            [np.bincount(flat, weights * normals[:, k], minlength=int(np.prod(pad))).reshape(pad) for k in range(3)]
        ).astype(np.float32)
        product = (spectrum * np.conj(fft.rfftn(laid, axes=(1, 2, 3), workers=2))).sum(axis=0)
        score = fft.irfftn(product, s=pad, workers=2)
        for _ in range(2):
            best = np.unravel_index(int(np.argmax(score)), score.shape)
            shift = np.array(
                [b if b < n else b - p for b, n, p in zip(best, coarse.fall.shape[1:], pad, strict=True)]
            )
            found.append((float(score[best]), rotation, coarse.origin_lps_mm + shift * GRID_MM - low))
            near = tuple(slice(max(0, b - 3), b + 4) for b in best)
            score[near] = -1.0
    progress(1.0, "")
    found.sort(key=lambda item: -item[0])
    return found


def rough_starts(
    volume: Volume,
    levels: GreyLevels,
    field_: GreyField,
    sample: SurfaceSample,
    frame: str,
    *,
    jaw_up: float | None = None,
    quick: bool = False,
    progress: Progress = silent,
) -> list[Candidate]:
    """Give refined candidate poses of a surface in a volume, best first.

    Parameters
    ----------
    jaw_up : float or None
        +1 lower jaw, -1 upper jaw, None unknown.
    quick : bool
        Only the first, coarser search about each guess.
    """
    coarse = coarse_volume(volume, levels)
    thin = sample.thinned(3000)
    guesses = upright_guesses(thin, jaw_up)
    candidates: list[Candidate] = []
    rounds = [(guess, QUICK_TURNS_DEG) for guess in guesses]
    if not quick:
        rounds += [(guess, PATIENT_TURNS_DEG) for guess in guesses]
    for number, (guess, (reach_deg, step_deg)) in enumerate(rounds):
        share = part_of(progress, number / len(rounds), (number + 1) / len(rounds))
        scored = correlate(coarse, thin, [turn @ guess for turn in turn_grid(reach_deg, step_deg)], share)
        starts = _distinct(scored, thin.points_mm[:: max(1, len(thin) // 60)], frame)
        candidates = _refined(field_, thin, starts, candidates, share)
        if _good_enough(candidates):
            break
    progress(1.0, "")
    return candidates


def _good_enough(candidates: list[Candidate]) -> bool:
    """Tell whether the best place is good by itself, or stands out clearly from the next."""
    if not candidates:
        return False
    best, second = candidates[0].score, candidates[1].score if len(candidates) > 1 else 0.0
    return best >= GOOD_SCORE or (best >= FAIR_SCORE and second < STANDS_OUT * best)


def _distinct(
    scored: list[tuple[float, FloatArray, FloatArray]], probe: FloatArray, frame: str
) -> list[RigidTransform]:
    """Give the best few poses that carry the surface to different places."""
    starts: list[RigidTransform] = []
    for _, rotation, shift in scored:
        pose = RigidTransform.from_parts(rotation, shift, frame)
        if all(apart_mm(pose, other, probe) > SAME_POSE_MM for other in starts):
            starts.append(pose)
        if len(starts) == CANDIDATES:
            break
    return starts


def _refined(
    field_: GreyField,
    sample: SurfaceSample,
    starts: list[RigidTransform],
    known: list[Candidate],
    progress: Progress,
) -> list[Candidate]:
    """Fit from each start and add what is new to the candidates, best first."""
    candidates = list(known)
    probe = sample.points_mm[:: max(1, len(sample) // 60)]
    for start in starts:
        progress(1.0, "Trying the likeliest places")
        fit = fit_surface(field_, sample, start, stages=(*COARSE_STAGES, SCORE_STAGE))
        same = [c for c in candidates if apart_mm(fit.pose, c.fit.pose, probe) <= SAME_POSE_MM]
        if all(fit.used_share > other.score for other in same):
            candidates = [c for c in candidates if c not in same] + [Candidate(fit, fit.used_share)]
    candidates.sort(key=lambda item: -item.score)
    return candidates
