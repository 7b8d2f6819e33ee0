"""Measuring, density, soft tissue, bone reduction, the ridge table: against numbers worked out by hand."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.bone_reduction import cut_surface, level_cut
from planner_core.anatomy.density import CAUTION, bore_profile
from planner_core.anatomy.measure import MeasureKind, measure
from planner_core.anatomy.ridge_table import ridge_along
from planner_core.anatomy.soft_tissue import soft_tissue_along
from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from tests.core.anatomy.phantom_shapes import LEVELS, jaw_bar, shell


def test_distance_and_its_repeatability() -> None:
    """Published: the SD of a repeated distance is 0.36 to 0.48 mm (Tomasi et al. 2011; FACTS section 8)."""
    found = measure(MeasureKind.DISTANCE, [[0, 0, 0], [3, 4, 0]])
    assert found.value == pytest.approx(5.0)
    assert found.sigma == pytest.approx(0.4 * np.sqrt(2), rel=1e-3)
    assert found.text == "5.0 mm (± 1.1)"


def test_polyline_angle_and_area_with_monte_carlo_uncertainty() -> None:
    rng = np.random.default_rng(0)
    cases = {
        MeasureKind.POLYLINE: ([[0, 0, 0], [10, 0, 0], [10, 10, 0]], 20.0),
        MeasureKind.ANGLE: ([[10, 0, 0], [0, 0, 0], [0, 12, 0]], 90.0),
        MeasureKind.AREA: ([[0, 0, 5], [10, 0, 5], [10, 6, 5], [0, 6, 5]], 60.0),
    }
    for kind, (points, value) in cases.items():
        found = measure(kind, points, sigma_mm=0.3)
        assert found.value == pytest.approx(value)
        many = [
            measure(kind, np.array(points, float) + rng.normal(0, 0.3, (len(points), 3)), sigma_mm=0.3).value
            for _ in range(400)
        ]
        assert found.sigma == pytest.approx(np.std(many), rel=0.15), kind


def test_too_few_points_are_refused() -> None:
    with pytest.raises(PlannerError, match="needs 3 points"):
        measure(MeasureKind.ANGLE, [[0, 0, 0], [1, 0, 0]])
    with pytest.raises(PlannerError, match="no length"):
        measure(MeasureKind.ANGLE, [[0, 0, 0], [0, 0, 0], [1, 0, 0]])


def test_a_bore_in_cortex_reads_one_and_in_marrow_little_on_any_scale() -> None:
    for gain, offset in ((1.0, 0.0), (0.5, -300.0)):
        bar = jaw_bar(plate_mm=3.0, gain=gain, offset=offset)
        # Along the cheek plate, 1.5 mm under its surface; then through the marrow.
        plate = bore_profile(bar.volume, (3.0, -2.5, 6.0), (0, 0, -1), 8.0, 0.4)
        marrow = bore_profile(bar.volume, (3.0, 0.0, 6.0), (0, 0, -1), 6.0, 0.4)
        assert plate.core.mean() == pytest.approx(1.0, abs=0.1)
        assert plate.word in ("nearly compact", "dense trabecular")
        assert marrow.core.mean() < 0.3
        assert marrow.word == "fine trabecular"
        assert plate.caution == CAUTION
        assert "not HU" in plate.caution
        assert plate.around.shape == (len(plate.depth_mm), 12)


def test_a_bore_outside_the_scan_says_so() -> None:
    bar = jaw_bar()
    assert bore_profile(bar.volume, (500, 0, 0), (0, 0, 1), 5, 3, LEVELS).word == "outside the scan"


def flat_sheet(z: float, half: float = 30.0) -> Surface:
    points = [[-half, -half, z], [half, -half, z], [half, half, z], [-half, half, z]]
    return Surface(np.array(points, float), np.array([[0, 1, 2], [0, 2, 3]]))


def test_soft_tissue_over_the_crest() -> None:
    bar = jaw_bar()
    table = ridge_along(bar.volume, bar.arch, spacing_mm=5.0, levels=LEVELS)
    found = soft_tissue_along(table, flat_sheet(bar.crest_z + 2.5))
    assert np.nanmedian(found.thickness_mm[:, 0]) == pytest.approx(2.5, abs=0.15)
    assert found.sigma_mm > 0.3
    assert np.isnan(found.thickness_mm[:, 1]).all(), "a flat sheet does not cover the cheek side"
    assert found.to_csv().splitlines()[0].startswith("station_mm,crest_mm")
    with pytest.raises(PlannerError, match="not matched"):
        soft_tissue_along(table, Surface(np.eye(3), np.array([[0, 1, 2]]), "surface:lower"))


def test_the_ridge_table_and_its_csv() -> None:
    bar = jaw_bar()
    seen: list[float] = []
    table = ridge_along(
        bar.volume, bar.arch, spacing_mm=4.0, levels=LEVELS, progress=lambda share, text="": seen.append(share)
    )
    assert seen == sorted(seen)
    inner = np.abs(table.stations_mm) < 17
    assert np.nanmax(np.abs(table.width_mm(5.0)[inner] - bar.width_mm)) < 0.3
    assert np.nanmax(np.abs(table.height_mm[inner] - 26.0)) < 0.5
    rows = list(csv.DictReader(io.StringIO(table.to_csv())))
    assert len(rows) == len(table.rows)
    assert float(rows[len(rows) // 2]["width_5_mm"]) == pytest.approx(bar.width_mm, abs=0.3)
    assert rows[len(rows) // 2]["height_to"] == "lower border"


def test_a_bone_reduction_lowers_crest_and_surface() -> None:
    bar = jaw_bar()
    cut = level_cut(bar.arch, (0.0, 0.0, bar.crest_z), 3.0)
    assert cut.over_mm([[0, 0, bar.crest_z]])[0] == pytest.approx(3.0)
    ball = bone_surface(shell())
    lowered = cut_surface(ball, level_cut(bar.arch, (0.0, 0.0, 14.0), 5.0))
    assert lowered.surface.points_mm[:, 2].max() == pytest.approx(9.0, abs=1e-6)
    flat = np.abs(lowered.surface.face_normals[:, 2] - 1.0) < 1e-6
    at_cut = lowered.surface.points_mm[lowered.surface.triangles[flat]][:, :, 2].min(axis=1) > 8.999
    area = lowered.surface.face_areas_mm2[flat][at_cut].sum()
    assert area == pytest.approx(np.pi * (14**2 - 9**2), rel=0.05), "a disc of the cut"
    with pytest.raises(PlannerError, match="takes nothing away"):
        level_cut(bar.arch, (0, 0, 0), 0.0)
