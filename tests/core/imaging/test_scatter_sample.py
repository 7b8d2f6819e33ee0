"""The shipped sample: simulated by physics, with the voxels that its bridge ruined."""

from __future__ import annotations

from pathlib import Path

import nibabel
import numpy as np
import pytest

from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.scan_check import check_scan
from tests.studies.scatter import ranking

SAMPLE = Path(__file__).resolve().parents[3] / "sample_volumes" / "lower_bridge"


@pytest.mark.slow
def test_the_ruined_slices_of_the_sample_are_found():
    volume = open_scan(SAMPLE / "dicom").volume
    image = nibabel.load(SAMPLE / "degraded.nii.gz")
    ruined = np.asarray(image.dataobj).transpose(2, 1, 0) > 0
    # The file runs against LPS in rows and columns where its matrix is negative in RAS.
    if image.affine[0, 0] > 0:
        ruined = ruined[:, :, ::-1]
    if image.affine[1, 1] > 0:
        ruined = ruined[:, ::-1]
    check = check_scan(volume)
    bridge, *others = check.restorations
    assert bridge.extent_mm[0] > 40.0
    assert {body.kind for body in others} <= {"marker or small dense body"}
    level = check.degradation
    assert level is not None
    apart = level < 0.999  # the bridge itself is not ruined tissue
    auc, average_precision, _ = ranking(level[apart][::7].astype(np.float64), ruined[apart][::7])
    assert auc > 0.97
    assert average_precision > 0.55
    share = ruined.mean(axis=(1, 2))
    (first, last), *rest = check.degraded_slices
    assert not rest
    worst = np.flatnonzero(share > 0.5 * share.max())
    assert first <= worst[0]
    assert last >= worst[-1]
    assert share[: first - 12].max() < 0.01
