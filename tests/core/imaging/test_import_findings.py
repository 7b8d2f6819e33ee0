"""Clipping, impossible scale and a field of view that cuts the arch are noticed; a plain scan is not blamed."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.geometry.volume import Volume
from planner_core.imaging.import_findings import findings_of


def jaw(voxel_mm: float = 0.3, arch_mm: float = 62.0, top: float = 4000.0, half_width: int = 130) -> Volume:
    """A horseshoe of bone with sixteen teeth in a round head; `arch_mm` is the arch's outer breadth."""
    size = 2 * half_width
    rows, columns = (np.mgrid[:size, :size] - half_width + 0.5) * 0.3
    radius = np.hypot(rows - 6.0, columns)
    front = rows < 14.0
    plane = np.where(np.hypot(rows, columns) < 37.5, 1000.0, 0.0)
    plane[(np.abs(radius - (arch_mm / 2 - 4.5)) < 4.5) & front] = 2300.0
    for angle in np.linspace(-1.45, 1.45, 16):
        centre = (6.0 - (arch_mm / 2 - 4.5) * np.cos(angle), (arch_mm / 2 - 4.5) * np.sin(angle))
        plane[np.hypot(rows - centre[0], columns - centre[1]) < 2.6] = 3600.0
    grey = np.repeat(plane[np.newaxis], 30, axis=0)
    grey += np.random.default_rng(2).normal(0, 40, grey.shape)
    affine = np.diag([voxel_mm, voxel_mm, voxel_mm, 1.0])[:, [0, 1, 2, 3]]
    place = np.zeros((4, 4))
    place[2, 0], place[1, 1], place[0, 2], place[3, 3] = affine[0, 0], affine[1, 1], affine[2, 2], 1.0
    return Volume(np.minimum(np.rint(grey), top).astype(np.int16), place)


def codes(volume: Volume) -> set[str]:
    return {finding.code for finding in findings_of(volume)}


def test_a_plain_jaw_has_no_findings():
    assert codes(jaw()) == set()


def test_coarse_voxels():
    assert codes(jaw(voxel_mm=0.41)) == {"coarse-voxel"}


@pytest.mark.parametrize("voxel_mm", [0.1, 3.0])
def test_a_scale_that_cannot_be_right(voxel_mm: float):
    assert "scale-impossible" in codes(jaw(voxel_mm=voxel_mm, half_width=170))


def test_clipped_greys_are_counted():
    volume = jaw(top=3500.0)
    text = next(finding.text for finding in findings_of(volume) if finding.code == "clipped-grey")
    assert f"{int((volume.stored == 3500).sum())} voxels" in text


@pytest.mark.parametrize(
    ("part", "words"),
    [
        ((slice(None), slice(None), slice(50, None)), "at the right"),
        ((slice(None), slice(None), slice(None, 205)), "at the left"),
        ((slice(None), slice(60, None), slice(None)), "at the front"),
    ],
)
def test_an_arch_that_is_cut_by_the_field_of_view(part: tuple[slice, ...], words: str):
    whole = jaw()
    volume = Volume(np.ascontiguousarray(whole.stored[part]), whole.lps_from_index)
    text = next(finding.text for finding in findings_of(volume) if finding.code == "arch-cut")
    assert words in text


def test_a_round_field_of_view_is_judged_by_its_own_border():
    whole = jaw()
    rows, columns = np.mgrid[:260, :260] - 129.5
    stored = whole.stored.copy()
    stored[:, np.hypot(rows - 40, columns) > 100] = -1000
    text = next(
        finding.text for finding in findings_of(Volume(stored, whole.lps_from_index)) if finding.code == "arch-cut"
    )
    assert "front" in text


def test_noise_alone_is_no_tissue():
    flat = Volume(np.full((4, 20, 20), 5, np.int16), np.diag([0.3, 0.3, 0.3, 1.0]))
    assert codes(flat) == {"no-tissue"}
