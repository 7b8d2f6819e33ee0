"""The shipped samples' own road: spekpy's spectrum, RTK's Joseph projector and RTK's FDK (extra `samples`).

Scatter, noise and starvation are those of `phantoms.physics.detector`. Materials are projected as thicknesses of a
few basis substances; soft tissue and hydroxyapatite carry all that grew in the mouth, fitted over the beam's own
energies.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from phantoms.material_map import MaterialMap
from phantoms.materials import Material
from phantoms.physics.acquisition import Acquisition, Geometry, geometry_of
from phantoms.physics.attenuation import HYDROXYAPATITE, mixture_cm2_g, table_per_mm
from phantoms.physics.detector import record
from phantoms.physics.fdk import reconstruct
from phantoms.physics.projector import view_frame
from phantoms.physics.spectrum import Spectrum
from phantoms.physics.spekpy_spectrum import check_attenuation_against_xraydb, spekpy_spectrum
from phantoms.pool import in_slabs
from phantoms.scene import Scene
from phantoms.simulate import Simulated, assemble, fine_map, paint_surroundings
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.progress import Progress, part_of, silent

HYDROXYAPATITE_G_CM3 = 3.16
FIT_TOLERANCE = 0.02
"""A tissue whose attenuation the two bases miss by more than this share at any energy gets its own basis."""
THREADS = 2
RTK_FROM_LPS = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])
"""RTK turns about its y axis, the scanner about the patient's long axis."""


def _rtk() -> tuple[Any, Any]:
    """Give (itk, itk.RTK) or say what is missing."""
    try:
        import itk
        from itk import RTK
    except ImportError as error:
        raise PlannerError(
            "itk-rtk is not installed, so a sample cannot be projected and reconstructed.",
            "Install the extra `samples` (over 2 GB), or use --engine fast.",
        ) from error
    itk.MultiThreaderBase.SetGlobalDefaultNumberOfThreads(THREADS)
    return itk, RTK


def _as_image(itk: Any, values: NDArray[np.float32], low_lps_mm: FloatArray, edge_mm: float) -> Any:
    """Give an RTK image of values [slice, row, column] whose first cell's middle lies at `low_lps_mm`."""
    turned = np.ascontiguousarray(values.transpose(1, 0, 2)[::-1])
    image = itk.image_from_array(turned)
    image.SetSpacing([edge_mm] * 3)
    last_row = low_lps_mm[1] + (values.shape[1] - 1) * edge_mm
    image.SetOrigin([float(low_lps_mm[0]), float(low_lps_mm[2]), float(-last_row)])
    return image


def _geometry(RTK: Any, geometry: Geometry) -> Any:
    """Give the circular path in RTK's frame, the origin on the axis."""
    out = RTK.ThreeDCircularProjectionGeometry.New()
    for view in range(len(geometry.angles_rad)):
        source, corner, across, up = view_frame(geometry, view, None)
        middle = corner + 0.5 * (geometry.columns - 1) * across + 0.5 * (geometry.rows - 1) * up
        vectors = [RTK_FROM_LPS @ v for v in (source - geometry.centre_lps_mm, middle - geometry.centre_lps_mm)]
        vectors += [RTK_FROM_LPS @ v / geometry.pixel_mm for v in (across, up)]
        if not out.AddProjection(*([float(c) for c in v] for v in vectors)):
            raise PlannerError(f"RTK refused view {view} of the scan.", "Check the geometry.")
    return out


def _stack(itk: Any, geometry: Geometry, values: NDArray[np.float32] | None = None) -> Any:
    """Give a stack of projections (zero unless given) in RTK's coordinates."""
    if values is None:
        values = np.zeros((len(geometry.angles_rad), geometry.rows, geometry.columns), np.float32)
    image = itk.image_from_array(np.ascontiguousarray(values))
    image.SetSpacing([geometry.pixel_mm, geometry.pixel_mm, 1.0])
    image.SetOrigin(
        [-0.5 * (geometry.columns - 1) * geometry.pixel_mm, -0.5 * (geometry.rows - 1) * geometry.pixel_mm, 0.0]
    )
    return image


def basis_shares(spectrum: Spectrum, labels: set[int]) -> tuple[FloatArray, FloatArray]:
    """Give (attenuation of the bases (energies, bases), share of each basis per label (bases, 16)).

    Bases are soft tissue, hydroxyapatite, and every material that those two cannot stand for.
    """
    table = table_per_mm(spectrum.energies_kev)
    apatite = mixture_cm2_g(HYDROXYAPATITE, spectrum.energies_kev) * HYDROXYAPATITE_G_CM3 / 10.0
    bases = [table[:, Material.SOFT], apatite]
    shares = [np.zeros(16), np.zeros(16)]
    weight = np.sqrt(spectrum.weights)[:, None]
    for label in sorted(labels):
        fit, *_ = np.linalg.lstsq(np.column_stack(bases[:2]) * weight, table[:, label] * weight[:, 0], rcond=None)
        missed = np.abs(np.column_stack(bases[:2]) @ fit / np.maximum(table[:, label], 1e-9) - 1.0)
        if label != Material.AIR and float(np.sum(missed * spectrum.weights)) > FIT_TOLERANCE:
            bases.append(table[:, label])
            shares.append(np.eye(16)[label])
        elif label != Material.AIR:
            shares[0][label], shares[1][label] = fit
    return np.column_stack(bases), np.array(shares)


def _project(
    itk: Any, RTK: Any, path: Any, geometry: Geometry, parts: list[tuple[NDArray[np.float32], FloatArray, float]]
) -> NDArray[np.float32]:
    """Give line integrals of the sum of several grids, each (values, first cell LPS about the axis, edge)."""
    stack = _stack(itk, geometry)
    kind = itk.Image[itk.F, 3]
    for values, low, edge in parts:
        joseph = RTK.JosephForwardProjectionImageFilter[kind, kind].New()
        joseph.SetInput(0, stack)
        joseph.SetInput(1, _as_image(itk, values, low, edge))
        joseph.SetGeometry(path)
        joseph.Update()
        stack = joseph.GetOutput()
        stack.DisconnectPipeline()
    return np.array(itk.array_view_from_image(stack))


def _cropped(
    values: NDArray[np.float32], low: FloatArray, edge: float
) -> tuple[NDArray[np.float32], FloatArray, float] | None:
    """Give the smallest box of a grid that holds all its nonzero cells, one empty cell around it."""
    found = [np.flatnonzero(values.any(axis=tuple(a for a in range(3) if a != axis))) for axis in range(3)]
    if any(len(f) == 0 for f in found):
        return None
    first = [max(int(f[0]) - 1, 0) for f in found]
    last = [min(int(f[-1]) + 2, n) for f, n in zip(found, values.shape, strict=True)]
    box = tuple(slice(a, b) for a, b in zip(first, last, strict=True))
    return values[box], low + edge * np.array(first[::-1]), edge


@njit(nogil=True, cache=True)
def _left(lengths, mu, weights, out):
    """Write what is left of the signal for rays of given lengths (bases, rays)."""
    bases, rays = lengths.shape
    for r in range(rays):
        total = 0.0
        for e in range(len(weights)):
            depth = 0.0
            for b in range(bases):
                depth += mu[e, b] * lengths[b, r]
            total += weights[e] * math.exp(-depth)
        out[r] = total


def transmissions_rtk(
    maps: tuple[MaterialMap, MaterialMap], geometry: Geometry, spectrum: Spectrum, progress: Progress
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give the share of the signal left, with and without restorations, projected by RTK."""
    itk, RTK = _rtk()
    path = _geometry(RTK, geometry)
    labels = {label for m in maps for shift in (8, 12, 24) for label in np.unique((m.codes >> shift) & 15).tolist()}
    mu, shares = basis_shares(spectrum, labels)
    lows = [m.lps_from_index[:3, 3] - geometry.centre_lps_mm for m in maps]
    with_bodies, without = [], []
    for n, share in enumerate(shares):
        progress(n / len(shares), "projecting")
        value = share.astype(np.float32)
        grids = [m.weighted(value, restored=False) for m in maps]
        boxes = [_cropped(g, low, m.voxel_mm) for g, low, m in zip(grids, lows, maps, strict=True)]
        natural = _project(itk, RTK, path, geometry, [b for b in boxes if b is not None])
        changes = [m.weighted(value) - g for m, g in zip(maps, grids, strict=True)]
        boxes = [_cropped(c, low, m.voxel_mm) for c, low, m in zip(changes, lows, maps, strict=True)]
        change = _project(itk, RTK, path, geometry, [b for b in boxes if b is not None])
        without.append(natural)
        with_bodies.append(natural + change)
    weights = np.ascontiguousarray(spectrum.weights)
    mu = np.ascontiguousarray(mu)
    results = []
    for stacks in (with_bodies, without):
        left = np.empty(stacks[0].shape, np.float32)

        def work(
            first: int, last: int, stacks: list[NDArray[np.float32]] = stacks, left: NDArray[np.float32] = left
        ) -> None:
            for view in range(first, last):
                rays = np.stack([stack[view].ravel() for stack in stacks])
                _left(rays, mu, weights, left[view].reshape(-1))

        in_slabs(work, len(left), parts=16)
        results.append(left)
    return results[0], results[1]


def reconstruct_rtk(
    logs: NDArray[np.float32], geometry: Geometry, shape: tuple[int, int, int], voxel_mm: float, cutoff: float
) -> NDArray[np.float32]:
    """Reconstruct line integrals with RTK's FDK; attenuation (1/mm) as [slice, row, column]."""
    itk, RTK = _rtk()
    path = _geometry(RTK, geometry)
    low = -0.5 * voxel_mm * (np.array(shape[::-1]) - 1.0)
    empty = _as_image(itk, np.zeros(shape, np.float32), low, voxel_mm)
    kind = itk.Image[itk.F, 3]
    stack = _stack(itk, geometry, logs)
    if geometry.short_scan:
        parker = RTK.ParkerShortScanImageFilter[kind].New()
        parker.SetInput(stack)
        parker.SetGeometry(path)
        parker.Update()
        stack = parker.GetOutput()
    fdk = RTK.FDKConeBeamReconstructionFilter[kind].New()
    fdk.SetInput(0, empty)
    fdk.SetInput(1, stack)
    fdk.SetGeometry(path)
    fdk.GetRampFilter().SetTruncationCorrection(0.5)
    fdk.GetRampFilter().SetHannCutFrequency(cutoff)
    fdk.Update()
    turned = itk.array_view_from_image(fdk.GetOutput())
    return np.ascontiguousarray(turned[::-1].transpose(1, 0, 2))


def simulate_rtk(
    scene: Scene, acquisition: Acquisition, seed: int, progress: Progress = silent, *, with_truth: bool = True
) -> Simulated:
    """Scan a scene by RTK; see `phantoms.simulate.simulate`. Motion is not simulated here."""
    _rtk()
    check_attenuation_against_xraydb()
    centre = scene.lps_from_scene.apply(np.array(acquisition.centre_scene_mm))
    geometry = geometry_of(acquisition, centre)
    fine = fine_map(scene, acquisition, centre)
    spectrum = spekpy_spectrum(acquisition.kvp, acquisition.aluminium_mm, acquisition.copper_mm, 2.0)
    maps = (fine, paint_surroundings(scene, fine))
    left, bare = transmissions_rtk(maps, geometry, spectrum, part_of(progress, 0.02, 0.8))
    logs = record(left, acquisition, geometry, spectrum, np.random.default_rng([seed, 1234]))
    progress(0.8, "reconstructing")
    volumes = [reconstruct_rtk(logs, geometry, acquisition.shape, acquisition.voxel_mm, acquisition.cutoff)]
    if with_truth:
        # Only their difference counts, and our own FDK gives the same one in a fraction of the time.
        progress(0.9, "reconstructing the truth")
        pair = [record(kept, acquisition, geometry, spectrum, None) for kept in (left, bare)]
        volumes += reconstruct(pair, geometry, acquisition.shape, acquisition.voxel_mm, acquisition.cutoff)
    return assemble(scene, acquisition, spectrum, geometry, fine, volumes)
