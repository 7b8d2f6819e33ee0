"""Open data: the mandible of a head CT after one click, and a tooth's enamel and dentine."""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK
from scipy import ndimage

from planner_core.anatomy.jaw_mask import find_jaw
from planner_core.anatomy.structures import Jaw
from planner_core.anatomy.tooth_tissues import tooth_tissues
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


def tooth() -> np.ndarray:
    """The extracted molar of the open data, big-endian NRRD (see SOURCE.txt); its first slices were edited."""
    image = SimpleITK.ReadImage(str(shared_data("tooth_ct") / "tooth.nhdr"))
    return SimpleITK.GetArrayFromImage(image)[2:].astype(np.float32)


def test_a_tooth_is_separated_into_enamel_and_dentine() -> None:
    """Levels against SimpleITK's; enamel caps the crown, dentine is one body below and within it."""
    grey = tooth()
    found = tooth_tissues(grey)
    peer = SimpleITK.OtsuMultipleThresholdsImageFilter()
    peer.SetNumberOfThresholds(2)
    peer.SetNumberOfHistogramBins(256)
    peer.Execute(SimpleITK.GetImageFromArray(grey))
    assert (found.dentine_from, found.enamel_from) == pytest.approx(
        peer.GetThresholds(), abs=float(2 * np.ptp(grey) / 256)
    )
    assert not (found.enamel & found.dentine).any()
    # Only the crown has enamel: the root is most of the tooth's length.
    rows = np.flatnonzero(found.enamel.any(axis=(1, 2)))
    tooth_rows = np.flatnonzero((found.enamel | found.dentine).any(axis=(1, 2)))
    assert rows[0] > tooth_rows[0] + 0.5 * np.ptp(tooth_rows)
    # Each is one body.
    for mask in (found.enamel, found.dentine):
        pieces, _ = ndimage.label(mask)
        assert np.bincount(pieces.ravel())[1:].max() > 0.95 * mask.sum()
    # Enamel lies between dentine and the outside: where the crown has both, it is the outer one.
    outside = ~ndimage.binary_fill_holes(found.enamel | found.dentine)
    depth = ndimage.distance_transform_edt(~outside)
    crown = np.zeros_like(found.enamel)
    crown[rows[0] + 5 :] = True
    assert np.median(depth[found.enamel & crown]) < 0.6 * np.median(depth[found.dentine & crown])
    # Enamel is nearly twice as far from air as dentine (densities 2.9 and 2.1 g/cm3 of mineral; M).
    air, dentine, enamel = (
        float(np.median(grey[m])) for m in (grey < found.dentine_from, found.dentine, found.enamel)
    )
    assert 1.5 < (enamel - air) / (dentine - air) < 2.2


def test_a_block_without_enamel_is_refused() -> None:
    root = tooth()[:60]
    with pytest.raises(PlannerError, match="No enamel"):
        tooth_tissues(root)
