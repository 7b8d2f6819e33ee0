"""Upper and lower crowns: whether both are in the scan, and whether they touch."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.signal import find_peaks

from planner_core.geometry.frames import FloatArray
from planner_core.imaging.scatter_cells import Cells

CROWN_FROM = 1.35
"""Crowns are denser than this many soft-to-bone distances above soft tissue (enamel 2.4 and dentine 1.35 times bone
at 60 keV, FACTS.md section 8; the blur of a cell lowers both)."""

LEAST_CROWNS_MM2 = 60.0
"""Area of crowns in a slice from which on it belongs to a tooth row (our choice: about three teeth)."""

ROWS_APART_MM = 4.0
"""Two tooth rows have the middles of their crowns at least this far apart (crowns are 6 to 9 mm high)."""

CONTACT_WITHIN_MM = 11.2
"""Rows that touch have the middles of their crowns no further apart than this (two crowns' height less the
overbite; on simulated mouths 5 to 11 mm in contact, 12 mm and more apart)."""

CONTACT_SHARE = 0.25
"""Where the area between two rows never falls below this share of the smaller row's, cusps touch or interlock (our
choice, on simulated mouths)."""


def crown_profile(cells: Cells, bone: float) -> FloatArray:
    """Give the area of crowns (mm2) per slice of cells."""
    smooth = gaussian_filter(cells.relative, 0.4 / cells.cell_mm)
    dense = smooth > 1.0 + CROWN_FROM * (bone - 1.0)
    return np.asarray(gaussian_filter1d(dense.sum(axis=(1, 2)) * cells.cell_mm**2, 0.7 / cells.cell_mm))


def teeth_in_contact(cells: Cells, bone: float) -> bool | None:
    """Tell whether the two tooth rows touch; None where there are no two rows to compare."""
    area = crown_profile(cells, bone)
    peaks, _ = find_peaks(area, height=LEAST_CROWNS_MM2, distance=max(1, round(ROWS_APART_MM / cells.cell_mm)))
    if len(peaks) < 2:
        return None
    first, second = sorted(peaks[np.argsort(area[peaks])[-2:]])
    if (second - first) * cells.cell_mm > CONTACT_WITHIN_MM:
        return False
    low = float(area[first : second + 1].min())
    return low > CONTACT_SHARE * float(min(area[first], area[second]))
