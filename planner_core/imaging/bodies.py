"""Dense bodies in a scan: restorations, fixtures, posts, fillings, markers."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies_kind import kind_of
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells

DENSE_ABOVE_SOFT = 4.2
"""A body is denser than any enamel: from this many air-to-soft distances above soft tissue. At 50 keV enamel lies
at 6 of them, titanium at 21 and zirconia at 116 (NIST, FACTS.md section 8); blur and hardening halve that. On 19
simulated mouths 4.2 invents nothing, 3.8 takes four caps of enamel for bodies, 4.6 loses the core of a bridge."""

LEAST_BODY_MM3 = 2.0
"""Smallest dense body that counts (our choice: a marker of 1.6 mm diameter has 2.1 mm3)."""

LEAST_CUT_BODY_MM3 = 12.0
"""The same where the scanner cuts its scale within reach of enamel, so that tips of cusps saturate too (our choice,
tested on a head CT without metal whose enamel saturates)."""

CUT_WITHIN_ENAMEL = 4.0
"""A scale that ends below this many air-to-soft distances above soft tissue may cut enamel (on simulated mouths the
brightest enamel lies at 3.2 to 4)."""

LEAST_CUT_DEPTH_MM = 1.0
"""Where enamel may be cut, a body must be this deep from its surface inwards: enamel saturates in thin caps, crowns
of zirconia or metal with their bloom are thicker (our choice)."""

LEAST_DEPTH_MM, SURELY_DENSE = 0.9, 5.4
"""A body thinner than twice this must be denser than that: caps of enamel brightened by streaks and noise lie at
0.4 to 0.8 mm and 4.1 to 4.3 air-to-soft distances, fillings at 1.0 mm and more (our choice, on simulated
mouths)."""

SHARE_OF_SPAN = 0.005
"""A voxel this near the top of the scale, as a share of its span, counts as saturated (our choice)."""


@frozen(eq=False)
class Restoration:
    """One dense body that throws streaks.

    Parameters
    ----------
    centre_lps_mm : array of shape (3,)
    volume_mm3 : float
        As it looks in the scan; dense bodies look larger than they are.
    extent_mm : array of shape (3,)
        Size along the LPS axes.
    saturated : bool
        It reaches the highest grey value of the scan.
    kind : str
        A guess from size, shape and density.
    kind_confidence : float
        Chance that the guess is right, 0..1.
    """

    centre_lps_mm: FloatArray = field(converter=readonly)
    volume_mm3: float
    extent_mm: FloatArray = field(converter=readonly)
    saturated: bool
    kind: str
    kind_confidence: float


def dense_from(grey: GreyLevels) -> float:
    """Give the grey value from which a voxel is denser than tissue can be, or where the scanner cut."""
    dense = grey.soft_tissue + DENSE_ABOVE_SOFT * grey.contrast
    if grey.saturated:
        dense = min(dense, grey.highest - SHARE_OF_SPAN * (grey.highest - grey.lowest))
    return dense


def may_cut_enamel(grey: GreyLevels) -> bool:
    """Tell whether the scale ends so low that enamel reaches its top."""
    return dense_from(grey) < grey.soft_tissue + CUT_WITHIN_ENAMEL * grey.contrast


def find_bodies(
    volume: Volume, cells: Cells, grey: GreyLevels, dense: float
) -> tuple[NDArray[np.float32], tuple[Restoration, ...]]:
    """Find connected dense bodies.

    Parameters
    ----------
    volume : Volume
    cells : Cells
        The same scan in cells, with the share of dense voxels of each.
    grey : GreyLevels
    dense : float
        From `dense_from`.

    Returns
    -------
    share : float32 array of the cells' shape
        Share of each cell that the bodies fill.
    bodies : tuple of Restoration
        Largest first.
    """
    labels, count = ndimage.label(cells.dense_share > 0, structure=np.ones((3, 3, 3)))
    share = np.zeros(cells.shape, np.float32)
    found: list[Restoration] = []
    for number, box in enumerate(ndimage.find_objects(labels, count), start=1):
        member = labels[box] == number
        if float(cells.dense_share[box][member].sum()) * cells.cell_mm**3 < 0.5 * LEAST_BODY_MM3:
            continue
        body = _measure(volume, cells, member, box, dense, grey)
        if body is not None:
            share[box][member] = cells.dense_share[box][member]
            found.append(body)
    return share, tuple(sorted(found, key=lambda body: -body.volume_mm3))


def _measure(
    volume: Volume,
    cells: Cells,
    member: NDArray[np.bool_],
    box: tuple[slice, ...],
    dense: float,
    grey: GreyLevels,
) -> Restoration | None:
    """Measure one body on the full grid; None if it is too small or may be enamel."""
    index_from_cell = volume.index_from_lps @ cells.lps_from_cell
    corners = np.array([[a, b, c] for a in _ends(box[0]) for b in _ends(box[1]) for c in _ends(box[2])])
    index = corners @ index_from_cell[:3, :3].T + index_from_cell[:3, 3]
    low = np.maximum(np.floor(index.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(index.max(axis=0)).astype(int) + 1, volume.shape)
    part = volume.grey(volume.stored[tuple(slice(int(a), int(b)) for a, b in zip(low, high, strict=True))])
    mask = part >= dense
    voxels = np.argwhere(mask)
    cell_from_index = np.linalg.inv(index_from_cell)
    at = np.rint((voxels + low) @ cell_from_index[:3, :3].T + cell_from_index[:3, 3]).astype(int)
    at = np.clip(at - [part.start for part in box], 0, np.array(member.shape) - 1)
    mine = member[at[:, 0], at[:, 1], at[:, 2]]
    voxels = voxels[mine]
    size = len(voxels) * volume.voxel_volume_mm3
    if size < (LEAST_CUT_BODY_MM3 if may_cut_enamel(grey) else LEAST_BODY_MM3):
        return None
    only = np.zeros(mask.shape, dtype=bool)
    only[tuple(voxels.T)] = True
    depth_mm = float(ndimage.distance_transform_edt(np.pad(only, 1), sampling=volume.spacing_mm).max())
    if may_cut_enamel(grey) and depth_mm < LEAST_CUT_DEPTH_MM:
        return None
    values = part[only]
    density = float((np.median(values) - grey.soft_tissue) / grey.contrast)
    if depth_mm < LEAST_DEPTH_MM and density < SURELY_DENSE:
        return None
    saturated = grey.saturated and float(values.max()) >= grey.highest - SHARE_OF_SPAN * (
        grey.highest - grey.lowest
    )
    places = volume.to_lps(voxels + low)
    kind, confidence = kind_of(places, size, depth_mm, density, saturated)
    lps_extent = np.ptp(places, axis=0) + np.abs(volume.lps_from_index[:3, :3]).sum(axis=1)
    return Restoration(places.mean(axis=0), size, lps_extent, saturated, kind, confidence)


def _ends(part: slice) -> tuple[float, float]:
    return part.start - 0.5, part.stop - 0.5


def measured_small(volume: Volume, grey: GreyLevels, voxels: NDArray[np.intp]) -> Restoration:
    """Measure a small dense body from its voxels (n, 3)."""
    places = volume.to_lps(voxels)
    values = volume.grey(volume.stored[tuple(voxels.T)])
    density = float((np.median(values) - grey.soft_tissue) / grey.contrast)
    size = len(voxels) * volume.voxel_volume_mm3
    kind, confidence = kind_of(places, size, 0.0, density, False)
    extent = np.ptp(places, axis=0) + np.abs(volume.lps_from_index[:3, :3]).sum(axis=1)
    return Restoration(places.mean(axis=0), size, extent, False, kind, confidence)
