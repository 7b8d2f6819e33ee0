"""The shipped samples are what their hashes and their truth say."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import nibabel as nib
import numpy as np
import pydicom
import pytest

from phantoms.scenes import ceramic_bridge_sample
from phantoms.truth import truth_of
from planner_core.geometry.frames import RigidTransform
from planner_core.registration.fiducials import rigid_from_points

SAMPLES = Path(__file__).resolve().parents[3] / "sample_volumes"
BRIDGE = SAMPLES / "lower_bridge"
MEGABYTE = 1_000_000


def folder_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def truth() -> dict:
    return json.loads((BRIDGE / "truth.json").read_text())


@pytest.fixture(scope="module")
def series() -> list[pydicom.Dataset]:
    return [pydicom.dcmread(path, stop_before_pixels=True) for path in sorted((BRIDGE / "dicom").glob("*.dcm"))]


@pytest.mark.parametrize("folder", [p for p in sorted(SAMPLES.iterdir()) if p.is_dir()], ids=lambda p: p.name)
def test_hashes_cover_and_match_every_file(folder: Path) -> None:
    listed = dict(line.split("  ")[::-1] for line in (folder / "SHA256SUMS").read_text().splitlines())
    present = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {"SHA256SUMS"}
    assert present == set(listed)
    for name, digest in listed.items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest, name


def test_samples_are_small() -> None:
    assert folder_bytes(BRIDGE) < 12 * MEGABYTE
    assert folder_bytes(SAMPLES) < 20 * MEGABYTE


def test_headers_say_that_nobody_is_in_them(series: list[pydicom.Dataset], truth: dict) -> None:
    assert len(series) == truth["volume"]["shape_slices_rows_columns"][0]
    for ds in series:
        assert ds.PatientName == "SAMPLE^INVENTED"
        assert "INVENTED" in ds.ImageComments
        assert "simulated" in ds.Manufacturer
        assert ds.SOPClassUID == pydicom.uid.CTImageStorage
        assert ds.file_meta.TransferSyntaxUID == pydicom.uid.JPEGLSLossless
        assert ds.BitsStored == 12
        assert ds.PatientBirthDate == ""
        assert ds.InstitutionName == "Invented"


def test_slices_lie_where_the_truth_says(series: list[pydicom.Dataset], truth: dict) -> None:
    affine = np.array(truth["volume"]["lps_from_index"])
    for k, ds in enumerate(sorted(series, key=lambda d: d.ImagePositionPatient[2])):
        np.testing.assert_allclose(ds.ImagePositionPatient, (affine @ [k, 0, 0, 1])[:3], atol=1e-3)


def test_markers_give_back_the_pose_and_match_the_formulas(truth: dict) -> None:
    pose = RigidTransform(np.array(truth["volume_from_surface"]), truth["surface_frame"])
    both = [(m["centre_surface_mm"], m["centre_lps_mm"]) for m in truth["markers"]]
    assert len(both) >= 5
    found = rigid_from_points([a for a, _ in both], [b for _, b in both])
    np.testing.assert_allclose(found.matrix, pose.matrix, atol=1e-4)
    known = truth_of(ceramic_bridge_sample(), measure_bodies=False)
    for marker in truth["markers"]:
        np.testing.assert_allclose(marker["centre_lps_mm"], known.markers_lps_mm[marker["name"]], atol=1e-3)
    for site, ours in zip(truth["sites"], known.sites, strict=True):
        np.testing.assert_allclose(site["platform_lps_mm"], ours.platform_lps_mm, atol=2e-3)


def test_markers_are_bright_in_the_volume(truth: dict) -> None:
    files = sorted((BRIDGE / "dicom").glob("*.dcm"))
    inverse = np.linalg.inv(np.array(truth["volume"]["lps_from_index"]))
    for marker in truth["markers"]:
        k, i, j = np.rint((inverse @ [*marker["centre_lps_mm"], 1.0])[:3]).astype(int)
        pixels = pydicom.dcmread(files[k]).pixel_array.astype(int) - 1000
        assert pixels[i - 1 : i + 2, j - 1 : j + 2].max() > 1800, marker["name"]


def test_degraded_mask_gives_the_runs_on_the_volumes_grid(truth: dict) -> None:
    image = nib.load(BRIDGE / "degraded.nii.gz")
    mask = np.asarray(image.dataobj).transpose(2, 1, 0)
    assert list(mask.shape) == truth["volume"]["shape_slices_rows_columns"]
    affine = np.array(truth["volume"]["lps_from_index"])
    np.testing.assert_allclose(
        image.affine @ [5, 6, 7, 1], np.diag([-1, -1, 1, 1]) @ affine @ [7, 6, 5, 1], atol=1e-3
    )
    scores = np.array(truth["slice_scores"])
    first, last = truth["degraded_slices"][0][0], truth["degraded_slices"][-1][1]
    assert (scores[first:last] > 0).all()
    assert mask[: first // 2].mean() < 0.001
    assert mask[int(np.argmax(scores))].mean() > 0.03


def test_surface_is_near_the_bone_and_faces_outward(truth: dict) -> None:
    data = (BRIDGE / "lower.stl").read_bytes()
    count = int(np.frombuffer(data, "<u4", 1, 80)[0])
    assert len(data) == 84 + 50 * count
    record = np.frombuffer(data, [("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")], count, 84)
    pose = np.array(truth["volume_from_surface"])
    known = truth_of(ceramic_bridge_sample(), measure_bodies=False)
    # Over the toothless ridge of 36 the gum lies 1 to 3.5 mm over the bone, and the triangles look away from it.
    site = next(s for s in truth["sites"] if s["iso"] == 36)
    middle = record["c"].mean(axis=1) @ pose[:3, :3].T + pose[:3, 3]
    near = np.linalg.norm(middle - site["platform_lps_mm"], axis=1) < 5.0
    depth = known.bone_distance_mm(middle[near])
    outside = known.bone_distance_mm(middle[near] + 0.5 * record["n"][near] @ pose[:3, :3].T)
    assert near.sum() > 100
    assert 1.0 < float(np.median(depth)) < 3.5
    assert float(np.median(outside - depth)) > 0.3


def test_both_scans_of_the_prosthesis_agree_with_the_pose_between_them() -> None:
    folder = SAMPLES / "dual_scan"
    known = json.loads((folder / "truth.json").read_text())
    markers = known["markers"]
    assert len(markers) >= 6
    found = rigid_from_points(
        [m["centre_prosthesis_lps_mm"] for m in markers], [m["centre_lps_mm"] for m in markers]
    )
    np.testing.assert_allclose(found.matrix, known["patient_from_prosthesis"], atol=1e-4)
    for name, volume, place in (
        ("patient", "volume", "centre_lps_mm"),
        ("prosthesis", "volume_prosthesis", "centre_prosthesis_lps_mm"),
    ):
        files = sorted((folder / f"dicom_{name}").glob("*.dcm"))
        grid = known[volume]
        assert len(files) == grid["shape_slices_rows_columns"][0]
        inverse = np.linalg.inv(np.array(grid["lps_from_index"]))
        for marker in markers:
            index = (inverse @ [*marker[place], 1.0])[:3]
            first = np.rint(index).astype(int) - 4
            box = np.stack([pydicom.dcmread(files[first[0] + k]).pixel_array for k in range(9)])
            box = box[:, first[1] : first[1] + 9, first[2] : first[2] + 9].astype(float) - 1000.0
            weight = np.clip(box - 1200.0, 0.0, None)
            middle = [(weight * axis).sum() / weight.sum() for axis in np.indices(weight.shape)]
            # The ball's centre of grey lies on the truth to a fraction of a voxel of 0.4 mm.
            np.testing.assert_allclose(first + middle, index, atol=0.2)
