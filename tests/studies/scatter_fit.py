"""Fit the numbers of `planner_core.imaging.scatter_chance` on simulated mouths of their own seeds."""

from __future__ import annotations

import argparse
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import dense_from, find_bodies
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.imaging.scatter_cells import Cells, cells_of
from planner_core.imaging.scatter_difference import difference_of
from planner_core.imaging.scatter_features import FEATURES, features_of

NAME = "scatter_fit"
FIRST_SEED = 700_000
"""Seeds of the mouths fitted on start here; the study's are small numbers times a thousand."""
CELLS_PER_MOUTH = 40_000
RIDGE = 20.0
PAIRED = (0, 2, 6, 7, 8, 13, 14)
"""Columns whose products are used as well."""


def on_cells(values: NDArray[np.generic], volume: Volume, cells: Cells) -> NDArray[np.float32]:
    """Average an array of the volume's shape over each cell (eight samples)."""
    index_from_cell = volume.index_from_lps @ cells.lps_from_cell
    middles = np.indices(cells.shape).reshape(3, -1).astype(np.float32)
    total = np.zeros(middles.shape[1], np.float32)
    source = values.astype(np.float32)
    for corner in np.indices((2, 2, 2)).reshape(3, -1).T:
        place = index_from_cell[:3, :3] @ (middles + (corner[:, None] - 0.5) / 2.0) + index_from_cell[:3, 3:4]
        total += map_coordinates(source, place, order=1, mode="nearest")
    return np.asarray(total.reshape(cells.shape) / 8.0, dtype=np.float32)


def columns_and_truth(
    volume: Volume, degraded: NDArray[np.bool_], region: NDArray[np.bool_], bodies: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray] | None:
    """Give (columns (n, features), share of degraded voxels (n,)) of cells outside bodies; None without bodies."""
    grey = calibrate_grey(volume)
    dense = dense_from(grey)
    cells = cells_of(volume, grey, dense)
    share, found = find_bodies(volume, cells, grey, dense)
    if not found:
        return None
    bone = float(grey.relative(grey.bone))
    columns = features_of(cells, share, difference_of(cells, share, bone), bone)
    counted = on_cells(~bodies, volume, cells) > 0.99
    # The jaw counts four times: it is what is read, and it is the smaller part.
    weight = np.where(on_cells(region, volume, cells) > 0.5, 1.0, 0.25) * counted * cells.inside
    rng = np.random.default_rng(5)
    chosen = rng.choice(weight.size, min(CELLS_PER_MOUTH, int(counted.sum())), p=(weight / weight.sum()).ravel())
    truth = on_cells(degraded, volume, cells).ravel()[chosen]
    return np.stack([column.ravel()[chosen] for column in columns], axis=1).astype(float), truth.astype(float)


def fit(columns: FloatArray, truth: FloatArray) -> dict[str, Any]:
    """Fit a logistic model with some products by Newton steps."""
    means, spreads = columns.mean(axis=0), columns.std(axis=0)
    standard = np.clip((columns - means) / spreads, -4.0, 4.0)
    pairs = [(a, b) for n, a in enumerate(PAIRED) for b in PAIRED[n:]]
    design = np.column_stack(
        [standard, *(standard[:, a] * standard[:, b] for a, b in pairs), np.ones(len(standard))]
    )
    weights = np.zeros(design.shape[1])
    for _ in range(30):
        chance = 1.0 / (1.0 + np.exp(-np.clip(design @ weights, -30, 30)))
        slope = design.T @ (chance - truth) + RIDGE * np.append(weights[:-1], 0.0)
        curve = (design * (chance * (1 - chance) + 1e-6)[:, None]).T @ design + RIDGE * np.eye(len(weights))
        step = np.linalg.solve(curve, slope)
        weights -= step
        if np.abs(step).max() < 1e-4:
            break
    count = len(FEATURES)
    return {
        "MEANS": np.round(means, 4).tolist(),
        "SPREADS": np.round(spreads, 4).tolist(),
        "WEIGHTS": np.round(weights[:count], 4).tolist(),
        "PAIRS": [(a, b, round(float(w), 4)) for (a, b), w in zip(pairs, weights[count:-1], strict=True)],
        "START": round(float(weights[-1]), 4),
    }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--mouths", type=int, default=24)


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Simulate the restored mouths among the first ones and fit on them."""
    from tests.studies.scatter_mouths import WITHOUT, kind_of, study_mouth

    parts = []
    for number in range(args.mouths):
        kind = kind_of(number)
        if kind.split()[0] in WITHOUT:
            continue
        mouth = study_mouth(kind, FIRST_SEED + number)
        scan = mouth.scan
        assert scan.degraded is not None
        assert scan.jaw_region is not None
        part = columns_and_truth(scan.volume, scan.degraded, scan.jaw_region, mouth.bodies)
        if part is not None:
            parts.append(part)
    return fit(np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts]))


def table(result: dict[str, Any]) -> str:
    """Give the numbers as they stand in the module."""
    return "\n".join(f"{name} = {value}" for name, value in result.items())
