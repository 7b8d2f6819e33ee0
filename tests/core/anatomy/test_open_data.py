"""Open data: the mandible of a head CT after one click, and a tooth's enamel and dentine."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from planner_core.anatomy.jaw_mask import find_jaw
from planner_core.anatomy.structures import Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.open_scan import open_scan
from tests.shared_data import shared_data


def filled_reference(rim: np.ndarray) -> np.ndarray:
    """Fill the reference: its bit marks the rim of the bone (outer and inner wall), not what lies between."""
    solid = ndimage.binary_closing(np.pad(rim, 4), iterations=2)[4:-4, 4:-4, 4:-4] | rim
    for row in range(len(solid)):
        solid[row] = ndimage.binary_fill_holes(solid[row])
    return solid


def head() -> tuple[Volume, np.ndarray]:
    folder = shared_data("headct_jaws")
    volume = open_scan(folder / "jaws_crop.nii.gz").volume
    rim = np.asarray(open_scan(folder / "jaws_crop_mandible.nii.gz").volume.stored) > 0
    return volume, filled_reference(rim)


def test_the_mandible_of_a_head_ct_is_found_by_one_click() -> None:
    """Source: jaws of a head CT with a mandible mask (see SOURCE.txt beside the data)."""
    volume, reference = head()
    places = np.argwhere(reference)
    chin = places[places[:, 1] < places[:, 1].min() + 8]
    click = volume.to_lps(chin[len(chin) // 2])
    found = find_jaw(volume, Jaw.LOWER, click)
    assert found.mask.shape == reference.shape
    dice = 2 * (found.mask & reference).sum() / (found.mask.sum() + reference.sum())
    assert dice >= 0.90
    assert found.volume_mm3 == pytest.approx(reference.sum() * volume.voxel_volume_mm3, rel=0.15)


def test_a_click_off_the_jaw_is_refused() -> None:
    volume, _ = head()
    with pytest.raises(PlannerError, match="not on bone"):
        find_jaw(volume, Jaw.LOWER, volume.to_lps([2, 2, 2]))
