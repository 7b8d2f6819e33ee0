"""Fit the network of the scan check (`planner_core.imaging.scatter_network`) on mouths of their own seeds.

Simulating needs nothing more than the studies do; fitting needs PyTorch and, to end within the day, a graphics
card. PyTorch is no part of this project: install it beside it for this one command. Seeds from `FIRST_SEED` on are
fitted on and never reported on. The numbers in the repository were made by a first form of this command (the same
inputs, layers, losses and steps; zeros beyond the ends of a scan) from 197 mouths, 177 fitted on and 20 watched,
some of them at full resolution, in ten minutes on one card. They have not been made anew since it was tidied: a fit
of three minutes on five mouths and a busy processor made four steps, which shows that all of it runs and that the
program loads what it writes, no more. What PyTorch and the program say of the same numbers differs by 0.06 %.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from phantoms.bodies import Kind
from phantoms.materials import Material
from phantoms.simulate import bone_contrast, fine_map, spectrum_of
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import dense_from, find_bodies
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.imaging.scatter_cells import Cells, cells_of
from planner_core.imaging.scatter_chance import Answer
from planner_core.imaging.scatter_inputs import CORTICAL_STEP, inputs_of
from planner_core.imaging.scatter_physics import beam_errors
from tests.studies.scatter_mouths import WITHOUT, StudyMouth, kind_of, study_mouth

NAME = "scatter_fit"
FIRST_SEED = 930_000
"""Seeds of the mouths fitted on start here; the study's are small numbers times a thousand."""
FULL_EVERY = 10
"""Every tenth mouth is simulated at full resolution, the others coarse, unless the command says otherwise."""
BARE_SHARE = 3
"""Of the mouths without restorations every third is kept: they teach what is natural."""
LEAST_BODY_SHARE = 60
"""Share of a fine cell, in 255ths, from which on it counts as a body's."""

_KIND = {
    Material.ZIRCONIA: Answer.ZIRCONIA,
    Material.CAST_METAL: Answer.METAL,
    Material.AMALGAM: Answer.FILLING,
    Material.COMPOSITE: Answer.FILLING,
    Material.ROOT_FILLING: Answer.POST,
    Material.TITANIUM: Answer.FIXTURE,
    Material.GLASS_CERAMIC: Answer.MARKER,
    Material.VENEER: Answer.PORCELAIN,
}


def on_cells(values: NDArray[Any], volume: Volume, cells: Cells, nearest: bool = False) -> NDArray[np.float32]:
    """Average an array of the volume's shape over each cell (eight samples), or take the nearest voxel."""
    index_from_cell = volume.index_from_lps @ cells.lps_from_cell
    corners = [np.zeros(3)] if nearest else [(np.array(c) - 0.5) / 2.0 for c in np.ndindex(2, 2, 2)]
    source, total = values.astype(np.float32), np.zeros(cells.shape, np.float32)
    for corner in corners:
        start = index_from_cell[:3, 3] + index_from_cell[:3, :3] @ corner
        total += affine_transform(
            source,
            index_from_cell[:3, :3],
            offset=start,
            output_shape=cells.shape,
            order=0 if nearest else 1,
            mode="nearest",
        )
    return total / np.float32(len(corners))


def kinds_in(mouth: StudyMouth) -> NDArray[np.uint8]:
    """Give the true kind of every voxel, counted from natural tissue."""
    scan, scene = mouth.scan, mouth.scene
    centre = scene.lps_from_scene.apply(np.array(mouth.acquisition.centre_scene_mm))
    codes = fine_map(scene, mouth.acquisition, centre).codes
    kind = np.zeros(16, np.uint8)
    for material, answer in _KIND.items():
        kind[int(material)] = answer - Answer.NATURAL
    out = np.where(((codes >> 16) & 255) > LEAST_BODY_SHARE, kind[(codes >> 24) & 15], 0).astype(np.uint8)
    inner = tuple(slice((a - b) // 2, (a - b) // 2 + b) for a, b in zip(out.shape, scan.volume.shape, strict=True))
    out = out[inner]
    titanium = np.argwhere(out == Answer.FIXTURE - Answer.NATURAL)
    if len(titanium):
        bodies = [b for b in scan.truth.bodies if b.material is Material.TITANIUM]
        places = scan.volume.to_lps(titanium)
        away = [np.linalg.norm(places - np.asarray(b.centre_lps_mm), axis=1) for b in bodies]
        post = np.array([b.kind is Kind.POST for b in bodies])[np.argmin(away, axis=0)]
        out[tuple(titanium[post].T)] = Answer.POST - Answer.NATURAL
    return out


def example_of(mouth: StudyMouth) -> dict[str, NDArray[Any]]:
    """Give the network's inputs and what is true, on the cells of one mouth."""
    volume, scan = mouth.scan.volume, mouth.scan
    assert scan.degraded is not None
    assert scan.jaw_region is not None
    assert scan.error is not None
    grey = calibrate_grey(volume)
    dense = dense_from(grey)
    cells = cells_of(volume, grey, dense)
    share, found = find_bodies(volume, cells, grey, dense)
    errors = beam_errors(cells, share) if found else None
    # Errors are counted in true contrasts, the network's in those that the scan shows.
    unit = bone_contrast(spectrum_of(mouth.acquisition), mouth.acquisition) / (grey.contrast * CORTICAL_STEP)
    return {
        "channels": np.stack(inputs_of(cells, share, errors, grey)),
        "ruined": on_cells(scan.degraded, volume, cells).astype(np.float16),
        "added": (on_cells(scan.error, volume, cells) * unit).astype(np.float16),
        "jaw": on_cells(scan.jaw_region, volume, cells).astype(np.float16),
        "bodies": on_cells(mouth.bodies, volume, cells).astype(np.float16),
        "kind": np.rint(on_cells(kinds_in(mouth), volume, cells, nearest=True)).astype(np.uint8),
    }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--mouths", type=int, default=360)
    parser.add_argument("--examples", type=Path, required=True, help="folder for what is simulated; 40 MB a mouth")
    parser.add_argument("--out", type=Path, help="write the fitted network here; without it only simulate")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, help="seed of the first mouth")
    parser.add_argument(
        "--full-every", type=int, default=FULL_EVERY, help="one of so many mouths is simulated at full resolution"
    )
    parser.add_argument("--start-from", type=Path, help="go on from the fitted numbers of this file")
    parser.add_argument("--minutes", type=float, default=10.0, help="time for fitting")


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Simulate what is not there yet, and fit."""
    args.examples.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    for number in range(args.mouths):
        kind = kind_of(number)
        path = args.examples / f"{args.first_seed + number}.npz"
        if path.exists() or (kind.split()[0] in WITHOUT and number % BARE_SHARE):
            continue
        coarse = number % args.full_every != args.full_every // 2
        mouth = study_mouth(kind, args.first_seed + number, coarse=coarse)
        np.savez(path, **example_of(mouth))
    result: dict[str, Any] = {
        "examples": len(list(args.examples.glob("*.npz"))),
        "simulated_s": time.perf_counter() - start,
    }
    if args.out is None:
        return result
    try:
        from tests.studies.scatter_fit_network import fit
    except ImportError as problem:
        raise PlannerError(
            "PyTorch is not installed here.", "Install it beside this project, or give no --out."
        ) from problem
    return result | fit(args.examples, args.out, args.minutes, args.start_from)


def table(result: dict[str, Any]) -> str:
    """Give what was done."""
    return "\n".join(f"{name}: {value}" for name, value in result.items())
