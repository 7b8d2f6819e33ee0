"""What the network sees of each cell: the scan and what physics says, on one scale whatever the scanner's was."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_path import Image
from planner_core.imaging.scatter_physics import BeamErrors

CORTICAL_STEP = 2.6
"""Distance from soft tissue to cortical bone in units of that from air to soft tissue: 1.92 x 0.424 over
1.06 x 0.226 less one is 2.4 at 50 keV, 2.8 at 45 keV, the mean energies of a dental beam of 110 and 75 kV that has
crossed little (NIST, FACTS.md section 8). Only a unit: the network learns what the scan makes of it."""

CHANNELS = (
    "density",
    "difference",
    "share of bodies",
    "beam taken",
    "length in bodies",
    "pattern of stopped lines",
    "pattern of lines stopped early before tissue",
    "pattern of lines stopped before tissue",
    "pattern of squared length",
    "noise",
    "top of the scale",
)
"""Names of the channels, in their order."""

Channel = NDArray[np.float16]


def inputs_of(cells: Cells, share: Image, errors: BeamErrors | None, grey: GreyLevels) -> list[Channel]:
    """Give the channels of `CHANNELS`, each a float16 array of the cells' shape.

    Parameters
    ----------
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    errors : BeamErrors or None
        None where there are no bodies: all that they would have added is nothing.
    grey : GreyLevels
    """
    unit = np.float32(CORTICAL_STEP)
    density = np.clip((cells.relative - np.float32(1.0)) / unit, -0.6, 3.0)
    noise = float(np.log(max(grey.noise_sd / (grey.contrast * CORTICAL_STEP), 1e-3) / 0.02))
    top = float(np.clip((grey.highest - grey.soft_tissue) / (grey.contrast * CORTICAL_STEP), 0.5, 4.0) - 2.0)
    if errors is None:
        middle = [np.broadcast_to(np.float16(0.0), cells.shape)] * 8
    else:
        middle = [
            _bounded(errors.difference / unit, 1.5),
            share.astype(np.float16),
            (2.0 * errors.shadow).astype(np.float16),
            np.log1p(5.0 * np.maximum(errors.shadow_length_mm, 0.0)).astype(np.float16),
            *(
                _bounded(pattern * np.float32(scale), 2.0)
                for pattern, scale in zip(errors.patterns, (5.0, 5.0, 5.0, 0.3), strict=True)
            ),
        ]
    return [
        density.astype(np.float16),
        *middle,
        np.broadcast_to(np.float16(noise), cells.shape),
        np.broadcast_to(np.float16(top), cells.shape),
    ]


def _bounded(values: Image, most: float) -> Channel:
    """Hold values within a bound softly, so that what lies inside bodies drowns nothing."""
    return (most * np.tanh(values / np.float32(most))).astype(np.float16)
