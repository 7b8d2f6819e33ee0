"""One drag step of the ledger against VTK's implicit distance on the same surface."""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable

import numpy as np

from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.ledger import LiveLedger
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube

SURFACE_TRIANGLES = 200_000
FIXTURES = 8
STEPS = 40


def ridge(triangles: int = SURFACE_TRIANGLES, seed: int = 1) -> Surface:
    """Give an uneven horseshoe of bone, closed, of about as many triangles as asked for."""
    around = int(np.sqrt(triangles / 2 / 4))
    along = triangles // (2 * around)
    turn = np.linspace(0.0, np.pi, along)
    phi = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    rng = np.random.default_rng(seed)
    wave = rng.uniform(0.0, 2.0 * np.pi, 6)
    t, p = np.meshgrid(turn, phi, indexing="ij")
    bump = 0.3 * np.sin(9 * t + wave[0]) * np.sin(3 * p + wave[1]) + 0.1 * np.sin(31 * t + 5 * p + wave[2])
    across, up = (5.0 + bump) * np.cos(p), (15.0 + bump) * np.sin(p) - 15.0
    points = np.stack([(25.0 + across) * np.cos(t), -(25.0 + across) * np.sin(t), up], axis=-1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(along - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    faces = np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
    caps = [
        np.stack([np.full(around - 2, start), start + np.arange(1, around - 1), start + np.arange(2, around)], -1)
        for start in (0, (along - 1) * around)
    ]
    return Surface(points, np.concatenate([faces, caps[0][:, ::-1], caps[1]]))


def scene() -> tuple[tuple[Obstacle, ...], dict[str, PlacedFixture]]:
    """Give a lower arch: bone, both canals, a floor surface, roots, and eight fixtures."""
    shape = generic_catalogue().fixture("generic-tapered-4.0x10")
    fixtures = {}
    for k, turn in enumerate(np.linspace(0.35, np.pi - 0.35, FIXTURES)):
        lean = np.array([0.05 * np.sin(3.0 * k), 0.04 * np.cos(2.0 * k), -1.0])
        place = [25.0 * np.cos(turn), -25.0 * np.sin(turn), -0.5]
        fixtures[str(31 + k)] = PlacedFixture(str(31 + k), shape, FixturePose(place, lean))
    bend = np.linspace(0.1, 0.9, 200)
    canals = [
        Obstacle(
            ObstacleKind.CANAL,
            f"canal, {name}",
            Tube(np.stack([sign * 25.0 * np.cos(bend), -25.0 * np.sin(bend), np.full(200, -16.0)], 1), 1.4),
        )
        for name, sign in (("left", 1.0), ("right", -1.0))
    ]
    x, y = np.meshgrid(np.linspace(-35, 35, 80), np.linspace(-35, 5, 60), indexing="ij")
    points = np.stack([x, y, -20.0 + 0.5 * np.sin(x / 3)], -1).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(79), np.arange(59), indexing="ij")
    a = (i * 60 + j).ravel()
    faces = np.concatenate([np.stack([a, a + 60, a + 61], -1), np.stack([a, a + 61, a + 1], -1)])
    floor = Obstacle(ObstacleKind.SINUS_FLOOR, "floor", Surface(points, faces))
    roots = [
        Obstacle(
            ObstacleKind.ROOT,
            f"root {k}",
            Tube([[25 * np.cos(t), -25 * np.sin(t), 0], [25 * np.cos(t), -25 * np.sin(t), -11]], [2.5, 1.0]),
        )
        for k, t in enumerate(np.linspace(0.5, np.pi - 0.5, 6))
    ]
    bone = Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", ridge(), 0.3, inside=True)
    return (*canals, floor, *roots, bone), fixtures


def drag(live: LiveLedger, fixtures: dict[str, PlacedFixture], steps: int, moving: int) -> float:
    """Give the median time (s) of one step in which `moving` fixtures move by 0.1 mm."""
    times = []
    for step in range(steps + 3):
        sites = list(fixtures)[:moving]
        fixtures = {
            site: PlacedFixture(site, f.shape, f.pose.shifted([0.1 * np.sin(step), 0.1 * np.cos(step), 0.0]))
            if site in sites
            else f
            for site, f in fixtures.items()
        }
        start = time.perf_counter()
        live.rows(fixtures)
        times.append(time.perf_counter() - start)
    return float(np.median(times[3:]))


def body_points(fixture: PlacedFixture, spacing_mm: float) -> np.ndarray:
    """Give points over a fixture's surface, spaced about as asked, deeper than 0.5 mm."""
    profile = fixture.shape.profile_mm
    depths, radii = [], []
    for (z0, r0), (z1, r1) in itertools.pairwise(profile):
        count = max(2, int(np.ceil(np.hypot(z1 - z0, r1 - r0) / spacing_mm)) + 1)
        depths.append(np.linspace(z0, z1, count))
        radii.append(np.linspace(r0, r1, count))
    z, r = np.concatenate(depths), np.concatenate(radii)
    turn = np.linspace(0.0, 2.0 * np.pi, max(8, int(np.ceil(2 * np.pi * r.max() / spacing_mm))), endpoint=False)
    axis, side = fixture.pose.axis_lps, fixture.pose.side_lps()
    other = np.cross(axis, side)
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other
    points = (z[:, None] * axis)[:, None, :] + r[:, None, None] * ring[None, :, :]
    return (points + fixture.pose.platform_lps_mm).reshape(-1, 3)


def vtk_distance(surface: Surface) -> Callable[[np.ndarray], np.ndarray]:
    """Give VTK's implicit distance to a surface as a function of points (n, 3)."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
    from vtkmodules.vtkCommonCore import vtkDoubleArray, vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

    points = vtkPoints()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(surface.points_mm), deep=True))
    cells = vtkCellArray()
    padded = np.column_stack([np.full(len(surface.triangles), 3), surface.triangles]).astype(np.int64)
    cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(padded.ravel(), deep=True))
    data = vtkPolyData()
    data.SetPoints(points)
    data.SetPolys(cells)
    implicit = vtkImplicitPolyDataDistance()
    implicit.SetInput(data)

    def at(places: np.ndarray) -> np.ndarray:
        given = numpy_to_vtk(np.ascontiguousarray(places), deep=True)
        out = vtkDoubleArray()
        implicit.FunctionValue(given, out)
        return vtk_to_numpy(out).copy()

    return at


def rows() -> list[dict[str, object]]:
    """Give the rows of the benchmark table."""
    obstacles, fixtures = scene()
    live = LiveLedger(obstacles)
    live.rows(fixtures)
    ours = drag(live, fixtures, STEPS, FIXTURES)
    one = drag(live, fixtures, STEPS, 1)
    bone = next(o for o in obstacles if o.kind == ObstacleKind.BONE_SURFACE)
    distance = vtk_distance(bone.geometry)
    alone = LiveLedger([bone])
    alone.rows(fixtures)
    ours_bone = drag(alone, fixtures, STEPS, FIXTURES)
    places = {site: body_points(f, 0.25) for site, f in fixtures.items()}
    distance(next(iter(places.values()))[:10])
    start = time.perf_counter()
    for points in places.values():
        distance(points)
    peer = time.perf_counter() - start
    return [
        {"work": "ledger, 8 fixtures moving, all obstacles, one step", "ours": 1e3 * ours, "peer": None,
         "ratio": None, "bar": "at most 10 ms", "unit": "ms"},
        {"work": "ledger, one of 8 fixtures moving, one step", "ours": 1e3 * one, "peer": None, "ratio": None,
         "bar": "at most 10 ms", "unit": "ms"},
        {"work": f"8 fixtures against {len(bone.geometry.triangles):,} triangles (VTK: points every 0.25 mm)",
         "ours": 1e3 * ours_bone, "peer": 1e3 * peer, "ratio": peer / ours_bone, "bar": "at least 100 times faster",
         "unit": "ms"},
    ]  # fmt: skip


if __name__ == "__main__":
    for row in rows():
        print(row)
