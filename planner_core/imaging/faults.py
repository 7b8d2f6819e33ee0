"""Faults of a scan that are not scatter: noise, movement, truncation, teeth in contact, clipped greys, rings."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import may_cut_enamel
from planner_core.imaging.faults_bite import teeth_in_contact
from planner_core.imaging.faults_contours import measure_contours
from planner_core.imaging.faults_rings import strongest_ring
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_estimate import Estimate
from planner_core.imaging.scatter_path import Image
from planner_core.progress import Progress, part_of, silent

NOISY_FROM = 0.08
"""Noise of one voxel, in soft-to-bone distances, from which on a scan counts as noisy (our choice: simulated scans
at usual dose lie at 0.02 to 0.06, at a tenth of it at 0.08 to 0.27)."""

MOVED_WIDTH_VOXELS = 3.4
"""Contours as wide as this many voxels are blurred by more than the scanner (our choice: simulated scans at rest
have 2.2 to 3.1, a moved one 3.5)."""

MOVED_DOUBLE_SHARE = 0.05
"""Share of double contours from which on a scan without noise and restorations counts as moved (our choice: 0.001
to 0.03 at rest)."""

CUT_SHARE = 0.005
"""Share of hard tissue at the top of the scale from which on it is worth a word (our choice)."""

LEAST_CUT_OFF_MM2 = 25.0
"""Area of hard tissue on a side of the field of view from which on the arch leaves it there (our choice: about the
section of a jaw's cortical bone)."""

BACK_FROM_MM = 5.0
"""Behind this distance from the middle of the field of view the rami may leave it (our choice)."""

HEAD_CUT_SHARE = 0.5
"""Share of the rim that is tissue from which on the head is larger than the field of view (our choice)."""

RING_HEIGHT, RING_SCORE = 0.03, 6.0
"""A ring counts from this height, in soft-to-bone distances, and this many robust deviations on (our choice)."""


def find_faults(
    volume: Volume, grey: GreyLevels, estimate: Estimate, progress: Progress = silent
) -> tuple[Finding, ...]:
    """Give a finding for each fault seen; none of them has to do with restorations."""
    bone = float(grey.relative(grey.bone))
    plain = estimate.cells.relative if estimate.added is None else estimate.cells.relative - estimate.added
    found = [*_noise(grey), *_clipped(grey, estimate, plain, bone)]
    found += _movement(volume, grey, estimate, part_of(progress, 0.0, 0.6))
    progress(0.6, "Looking for other faults")
    found += [*_rings(volume, grey), *_cut_off(estimate, plain, bone)]
    if teeth_in_contact(estimate.cells, bone):
        text = "Upper and lower teeth touch: their surfaces cannot be told apart in this scan."
        found.append(Finding(Severity.WARNING, "teeth-in-contact", text))
    progress(1.0)
    return tuple(found)


def _noise(grey: GreyLevels) -> Iterator[Finding]:
    share = grey.noise_sd / (grey.bone - grey.soft_tissue)
    if share >= NOISY_FROM:
        text = (
            f"The scan is noisy: one voxel scatters by {grey.noise_sd:.0f} grey values, {100 * share:.0f} % of the "
            "contrast of bone to soft tissue. Thin cortical bone and the canal's wall may not show."
        )
        yield Finding(Severity.WARNING, "noise", text)


def _clipped(grey: GreyLevels, estimate: Estimate, plain: Image, bone: float) -> Iterator[Finding]:
    if not (grey.saturated and may_cut_enamel(grey)):
        return
    apart = (estimate.share == 0) & (plain > 1.0 + 0.5 * (bone - 1.0))
    share = float(estimate.cells.dense_share[apart].sum()) / max(int(apart.sum()), 1)
    if share >= CUT_SHARE:
        text = (
            f"The grey scale is cut at {grey.highest:.0f}, within reach of enamel: {100 * share:.1f} % of the hard "
            "tissue outside restorations is at that value, so enamel and fillings look alike."
        )
        yield Finding(Severity.NOTE, "clipped-greys", text)


def _movement(volume: Volume, grey: GreyLevels, estimate: Estimate, progress: Progress) -> Iterator[Finding]:
    contours = measure_contours(volume, grey, progress)
    voxel = float(np.mean(volume.spacing_mm[1:]))
    quiet = grey.noise_sd < 0.06 * (grey.bone - grey.soft_tissue) and not estimate.restorations
    wide = contours.width_mm >= MOVED_WIDTH_VOXELS * voxel
    if contours.places and (wide or (quiet and contours.double_share >= MOVED_DOUBLE_SHARE)):
        text = (
            f"Contours are blurred or double (a step takes {contours.width_mm:.1f} mm at {voxel:.2f} mm voxels; "
            f"{100 * contours.double_share:.0f} % are double): the patient may have moved. Compare known lengths."
        )
        yield Finding(Severity.WARNING, "movement", text)


def _rings(volume: Volume, grey: GreyLevels) -> Iterator[Finding]:
    ring = strongest_ring(volume, grey)
    if ring.height >= RING_HEIGHT and ring.score >= RING_SCORE:
        text = (
            f"There are rings about the middle of the slices, the strongest at {ring.radius_mm:.0f} mm: the "
            "detector needs calibration. They are not anatomy and not scatter."
        )
        yield Finding(Severity.WARNING, "rings", text, f"radius {ring.radius_mm:.0f} mm")


def _rim(estimate: Estimate) -> NDArray[np.bool_]:
    """Give the outermost cells of the slices: of the box, or of the circle in it where the corners are empty."""
    _, rows, columns = estimate.cells.shape
    y, x = np.mgrid[:rows, :columns]
    radius = np.hypot(y - (rows - 1) / 2.0, x - (columns - 1) / 2.0)
    middle = estimate.cells.relative[len(estimate.cells.relative) // 2]
    corner = radius > 0.5 * min(rows, columns) * 1.15
    if corner.any() and float(middle[corner].std()) < 1e-3:
        reach = 0.5 * min(rows, columns)
        return np.asarray((radius <= reach - 0.5) & (radius > reach - 2.5))
    rim = np.zeros((rows, columns), dtype=bool)
    rim[1, 1:-1] = rim[-2, 1:-1] = rim[1:-1, 1] = rim[1:-1, -2] = True
    return rim


def _cut_off(estimate: Estimate, plain: Image, bone: float) -> Iterator[Finding]:
    """Tell on which sides the arch leaves the field of view, and whether the head does."""
    cells, rim = estimate.cells, _rim(estimate)
    if min(cells.shape[1:]) < 8:
        return
    at = np.argwhere(rim)
    away = (at - (np.array(cells.shape[1:]) - 1) / 2.0) @ cells.lps_from_cell[:3, 1:3].T
    # Front is -y in LPS, left is +x; at the back rami and spine leave every small field.
    ahead = away[:, 1] < BACK_FROM_MM
    lateral = np.abs(away[:, 0]) > np.abs(away[:, 1])
    side = np.where(lateral & ahead, np.where(away[:, 0] > 0, 0, 1), np.where(ahead, 2, 3))
    hard = plain[:, at[:, 0], at[:, 1]] > 1.0 + 0.6 * (bone - 1.0)
    areas = [float(hard[:, side == n].sum()) * cells.cell_mm**2 for n in range(3)]
    sides = [
        name for name, area in zip(("left", "right", "front"), areas, strict=True) if area >= LEAST_CUT_OFF_MM2
    ]
    if sides:
        text = (
            f"The jaw leaves the field of view at the {' and the '.join(sides)}: what is outside cannot be planned."
        )
        yield Finding(Severity.WARNING, "truncation", text, ", ".join(sides))
    if float(np.mean(plain[:, at[:, 0], at[:, 1]] > 0.6)) >= HEAD_CUT_SHARE:
        text = "The head is larger than the field of view: grey values drift towards the rim, borders stay."
        yield Finding(Severity.NOTE, "head-cut", text)
