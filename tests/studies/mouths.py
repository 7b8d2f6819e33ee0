"""Random analytic mouths for planning studies: a ridge, a canal, neighbouring roots. No real person's anatomy."""

from __future__ import annotations

import numpy as np
from attrs import frozen

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.surface import Surface
from planner_core.planning.crowns import PlannedTooth, tooth_at
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube

ARCH_HALF_WIDTH_MM, ARCH_DEPTH_MM = 26.0, 44.0


@frozen(eq=False)
class Mouth:
    """One lower jaw with one missing tooth."""

    site: str
    arch: ArchCurve
    tooth: PlannedTooth
    obstacles: tuple[Obstacle, ...]
    width_mm: float
    canal_below_mm: float


def parabola(jaw: Jaw = Jaw.LOWER) -> ArchCurve:
    """Give a plain lower arch."""
    x = np.linspace(-ARCH_HALF_WIDTH_MM, ARCH_HALF_WIDTH_MM, 9)
    y = ARCH_DEPTH_MM * (x / ARCH_HALF_WIDTH_MM) ** 2
    return ArchCurve(jaw, np.stack([x, y, np.zeros_like(x)], axis=1))


def ridge_surface(
    arch: ArchCurve, width_mm: float, lean_mm: float, bumps: np.ndarray, around: int = 40, step_mm: float = 0.7
) -> Surface:
    """Give a closed ridge along an arch: narrow at the crest, wider and shifted to the tongue below."""
    stations = np.arange(arch.stations_mm[0] + 1.0, arch.stations_mm[-1] - 1.0, step_mm)
    phi = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    points = []
    for station in stations:
        centre, out, up = arch.point_at(float(station)), arch.outward_at(float(station)), arch.up_lps
        height = -13.0 + 13.0 * np.sin(phi)
        depth = -height / 26.0
        half = 0.5 * width_mm * (1.0 + 0.5 * depth) + bumps[0] * np.sin(0.3 * station + bumps[1])
        across = half * np.sign(np.cos(phi)) * np.abs(np.cos(phi)) ** 0.7 - lean_mm * depth
        points.append(centre + across[:, None] * out + height[:, None] * up)
    grid = np.array(points)
    n = len(stations)
    i, j = np.meshgrid(np.arange(n - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    c, d = a + around, b + around
    sides = np.concatenate([np.stack([a, d, b], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    k = np.arange(1, around - 1)
    first = np.stack([np.zeros_like(k), k, k + 1], -1)
    last = np.stack([np.zeros_like(k), k + 1, k], -1) + (n - 1) * around
    surface = Surface(grid.reshape(-1, 3), np.concatenate([sides, first, last]))
    p = surface.points_mm[surface.triangles]
    volume = np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum()
    return surface if volume > 0 else Surface(surface.points_mm, surface.triangles[:, ::-1])


def random_mouth(rng: np.random.Generator) -> Mouth:
    """Draw a mouth with one missing lower premolar or molar on the left or right."""
    arch = parabola()
    site = str(rng.choice(["34", "35", "36", "37", "44", "45", "46", "47"]))
    station = {"4": 20.0, "5": 27.0, "6": 36.0, "7": 44.0}[site[1]] * (1.0 if site[0] == "3" else -1.0)
    width = float(rng.uniform(7.0, 12.0))
    below = float(rng.uniform(12.0, 20.0))
    lean = float(rng.uniform(-1.0, 4.0))
    bumps = np.array([rng.uniform(0.0, 0.4), rng.uniform(0, 6.0)])
    tooth = tooth_at(arch, site, station)
    tooth = tooth.moved(rng.uniform(-1.0, 1.0) * tooth.facial_lps).turned(tooth.along_lps, rng.uniform(-8.0, 8.0))
    side = np.sign(station)
    along = np.arange(15.0, 48.0, 0.5) * side
    path = np.array(
        [
            arch.point_at(s) - (below + 0.03 * abs(s - station)) * arch.up_lps - 1.0 * arch.outward_at(s)
            for s in along
        ]
    )
    obstacles = [
        Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", ridge_surface(arch, width, lean, bumps), 0.25, True),
        Obstacle(ObstacleKind.CANAL, "canal", Tube(path, float(rng.uniform(1.0, 1.6))), 0.3),
    ]
    half = tooth.mesiodistal_mm / 2.0
    for sign in (-1.0, 1.0):
        if rng.random() < 0.8:
            s = station + sign * (half + rng.uniform(3.0, 4.0))
            top = arch.point_at(s) + 1.0 * arch.up_lps
            tip = top - 13.0 * arch.up_lps + rng.uniform(-2.0, 2.0) * arch.tangent_at(s)
            name = "root, next" if sign > 0 else "root, before"
            obstacles.append(Obstacle(ObstacleKind.ROOT, name, Tube([top, tip], [2.4, 1.0]), 0.3))
    return Mouth(site, arch, tooth, tuple(obstacles), width, below)
