"""Maps on a surface: contour lines where they are known, the error field against the closed form."""

from __future__ import annotations

import numpy as np
import pytest

from app.scene.surface_map import (
    DARK,
    LIGHT,
    NOTHING,
    contour_segments,
    distance_colours,
    error_levels,
    smoothed,
)
from planner_core.case.derived.match_picture import error_p95_field_mm
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm


def sheet(size: int = 41, step: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A flat square of triangles, corner at zero."""
    y, x = np.meshgrid(np.arange(size), np.arange(size), indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1) * step
    at = (np.arange(size - 1)[:, None] * size + np.arange(size - 1)).ravel()
    return points, np.concatenate(
        [np.stack([at, at + 1, at + size], 1), np.stack([at + 1, at + size + 1, at + size], 1)]
    )


def test_a_slope_has_straight_contours_where_they_belong() -> None:
    points, triangles = sheet()
    pieces, which = contour_segments(points, triangles, points[:, 0] / 10.0, 1.23)
    assert pieces[..., 0] == pytest.approx(12.3)
    assert float(np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1).sum()) == pytest.approx(40.0)
    assert len(which) == len(pieces)


def test_no_line_runs_through_places_without_a_number() -> None:
    points, triangles = sheet()
    values = points[:, 0] / 10.0
    values[points[:, 1] > 20] = np.nan
    pieces, _ = contour_segments(points, triangles, values, 1.23)
    assert pieces[..., 1].max() <= 20.0
    assert np.isnan(smoothed(triangles.astype(np.int64), values)[points[:, 1] > 20]).all()


def test_one_hue_by_size_and_the_sign_by_the_line() -> None:
    points, triangles = sheet()
    distance = (points[:, 0] - 20.0) / 20.0
    distance[0] = np.nan
    shown = distance_colours(points, triangles, distance)
    assert tuple(shown.colours[0]) == NOTHING
    assert tuple(shown.colours[20]) == LIGHT
    assert tuple(shown.colours[40]) == DARK
    assert shown.colours[10].tolist() == shown.colours[30].tolist(), "equal sizes look alike"
    by_level = {c.level: c for c in shown.contours}
    assert set(by_level) == {-0.5, -0.2, 0.2, 0.5}
    assert by_level[0.2].text == "+0.2"
    assert by_level[-0.5].text == "−0.5"
    assert len(by_level[-0.5].segments_mm) < 0.7 * len(by_level[0.5].segments_mm), "dashed"
    labels = np.vstack([c.labels_mm for c in shown.contours])
    gaps = np.linalg.norm(labels[:, None] - labels[None], axis=2) + 99.0 * np.eye(len(labels))
    assert gaps.min() > 15.0


def test_levels_are_round_and_few() -> None:
    assert error_levels(np.array([0.11, 0.31])) == (0.15, 0.2, 0.25, 0.3)
    assert error_levels(np.array([0.2, 0.2])) == ()


def test_the_error_field_agrees_with_the_closed_form_everywhere() -> None:
    rng = np.random.default_rng(4)
    half = rng.normal(size=(6, 6)) * np.array([0.002, 0.002, 0.002, 0.1, 0.1, 0.1])[:, None]
    covariance = PoseCovariance(half @ half.T, np.array([0.0, 10.0, 5.0]))
    points = rng.uniform(-35.0, 35.0, (4000, 3)) * np.array([1.0, 1.0, 0.3])
    field = error_p95_field_mm(covariance, points)
    some = rng.integers(0, len(points), 60)
    exact = np.array([distance_p95_mm(covariance.covariance_at(p)) for p in points[some]])
    assert field[some] == pytest.approx(exact, rel=0.02)
