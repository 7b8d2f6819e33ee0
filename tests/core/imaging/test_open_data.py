"""Every scan of the open data, of pydicom and of pydicom-data is read or refused in a sentence."""

from __future__ import annotations

from pathlib import Path

import nibabel
import numpy as np
import pytest
from pydicom.data import get_testdata_file

from planner_core.errors import PlannerError
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.nifti import LPS_FROM_RAS
from tests.shared_data import shared_data

MR, CT = b"1.2.840.10008.5.1.4.1.1.4\0", b"1.2.840.10008.5.1.4.1.1.2\0"


@pytest.mark.parametrize("kind", ["compressed_j2k", "compressed_jpeg", "compressed_jpegls", "compressed_rle"])
def test_real_compressed_files_hold_what_their_nifti_truth_says(tmp_path: Path, kind: str):
    """Four sagittal slices in four syntaxes, with the NIfTI that dicom2nifti's authors made of them (MIT).

    They are MR, which is not imported; only the class named in the copies is changed.
    """
    folder = shared_data("dicom_geometry_headers", kind)
    for path in sorted((folder / "001").iterdir()):
        raw = path.read_bytes()
        assert raw.count(MR) >= 2
        (tmp_path / path.name).write_bytes(raw.replace(MR, CT))
    volume = read_dicom(tmp_path).volume
    truth = nibabel.load(folder / "001_ground_truth.nii.gz")
    values = np.asarray(truth.dataobj)
    assert volume.stored.size == values.size
    lps_from_index = LPS_FROM_RAS @ truth.affine
    rng = np.random.default_rng(0)
    for _ in range(300):
        index = np.array([int(rng.integers(n)) for n in values.shape])
        point = lps_from_index[:3, :3] @ index + lps_from_index[:3, 3]
        ours = tuple(np.rint(volume.to_index(point)).astype(int))
        assert volume.to_lps(ours) == pytest.approx(point, abs=1e-2)
        assert volume.grey(volume.stored[ours]) == values[tuple(index)]


def _folders() -> list[Path]:
    return [
        Path(get_testdata_file("CT_small.dcm", download=False)).parent,
        Path(get_testdata_file("eCT_Supplemental.dcm", download=False)).parent,
    ]


@pytest.mark.parametrize("folder", _folders(), ids=["pydicom", "pydicom-data"])
def test_all_of_pydicoms_files_are_listed_and_read_or_refused(folder: Path):
    listing = list_series(folder)
    assert listing.series
    total = sum(one.n_files for one in listing.series) + sum(listing.skipped.values())
    assert total == sum(path.is_file() for path in folder.rglob("*"))
    outcomes = {"read": 0, "refused": 0}
    for one in listing.series:
        assert one.thumbnail is not None
        if one.problem:
            with pytest.raises(PlannerError) as caught:
                read_dicom(folder, one.uid)
            assert caught.value.remedy
            assert caught.value.message.startswith(one.problem)
            outcomes["refused"] += 1
        else:
            assert sorted(read_dicom(folder, one.uid).volume.shape) == sorted(one.shape)
            outcomes["read"] += 1
    assert outcomes["read"] >= 1


def test_every_folder_of_the_open_data_is_read_or_refused():
    place = shared_data("dicom_geometry_headers")
    folders = {path.parent for path in [*place.rglob("*.dcm"), *shared_data("dicom_ct_tilt").rglob("*.dcm")]}
    for folder in folders:
        with pytest.raises(PlannerError) as caught:
            read_dicom(folder)
        assert caught.value.remedy, folder
