"""A small jaw made of a few formulas, quick enough for every window test. Invented; no real person."""

from __future__ import annotations

from functools import cache

import numpy as np

from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Jaw, Side
from planner_core.case import edits
from planner_core.case.plan import Plan, ScanInput, SurfaceInput, SurfaceRole
from planner_core.geometry.frames import FloatArray, RigidTransform, rotation_about
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.fixture import FixturePose
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import PointPair

VOXEL_MM = 0.8
HALF_WIDTH_MM = 26.0
DEPTH_MM = 34.0
AIR, SOFT, BONE = -1000, 0, 1500


def arch_points(count: int = 9) -> FloatArray:
    """Points of a parabola-shaped ridge, from the patient's right to the left, crest at z = 0."""
    x = np.linspace(-HALF_WIDTH_MM, HALF_WIDTH_MM, count)
    return np.stack([x, DEPTH_MM * (x / HALF_WIDTH_MM) ** 2 - 15.0, np.zeros(count)], axis=1)


def canal_points(side: Side) -> FloatArray:
    """Clicks along the canal of a side, 14 mm below the crest."""
    sign = 1.0 if side is Side.LEFT else -1.0
    points = arch_points(41)
    chosen = points[points[:, 0] * sign > 14.0][::3]
    return chosen + np.array([0.0, 0.0, -14.0])


@cache
def small_volume() -> Volume:
    """The jaw as grey values: bone round the arch, soft tissue about it, air above."""
    shape = (44, 68, 80)
    affine = np.zeros((4, 4))
    affine[3, 3] = 1.0
    affine[2, 0] = affine[1, 1] = affine[0, 2] = VOXEL_MM
    affine[:3, 3] = (-32.0, -28.0, -26.0)
    z, y, x = np.meshgrid(*(np.arange(n) * VOXEL_MM for n in shape), indexing="ij")
    z, y, x = z - 26.0, y - 28.0, x - 32.0
    curve = arch_points(200)
    away = np.full(shape[1:], np.inf)
    for px, py, _ in curve:
        away = np.minimum(away, np.hypot(x[0] - px, y[0] - py))
    grey = np.where(z > 3.0, AIR, SOFT).astype(np.float64)
    inside = (away[None] < 5.0) & (z < 0.0) & (z > -20.0)
    grey[inside] = BONE
    for side in Side:
        for px, py, pz in canal_points(side):
            grey[(x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2 < 1.5**2] = SOFT
    noise = np.random.default_rng(5).normal(0.0, 20.0, shape)
    return Volume((grey + noise).astype(np.int16), affine)


def block_surface(low: FloatArray, high: FloatArray, frame: str = "lps") -> Surface:
    """A closed box with outward triangles."""
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return Surface(corners, np.array(triangles, np.int32), frame)


def lps_from_surface() -> RigidTransform:
    """Where the small surface scan really belongs."""
    return RigidTransform.from_parts(rotation_about((0.2, 1.0, 0.3), 0.6), (5.0, -3.0, 8.0), "surface:small")


def small_pairs() -> tuple[PointPair, ...]:
    """Five exact pairs, spread wide."""
    lps = np.array([[-24.0, 12, 2], [24, 13, 2], [0, -16, 3], [-12, -8, 1], [13, -7, 4]], dtype=np.float64)
    own = lps_from_surface().inverse().apply(lps)
    return tuple(PointPair(f"P{k + 1}", own[k], lps[k], 0.3) for k in range(len(lps)))


def scan_only() -> Plan:
    """A plan with nothing but the scan."""
    scan = ScanInput(small_volume(), ScanSource(kind="nifti", series_description="small jaw"))
    return edits.set_title(edits.set_scan(Plan(), scan), "small")


@cache
def full_plan() -> Plan:
    """A plan with everything that a panel can show."""
    plan = scan_only()
    block = block_surface(np.array([-28.0, -18, -2]), np.array([28.0, 22, 4]))
    own = block.moved(RigidTransform.identity("lps", "lps"))
    own = Surface(lps_from_surface().inverse().apply(own.points_mm), own.triangles, "surface:small")
    plan = edits.add_surface(plan, SurfaceInput("surface:small", "small.stl", SurfaceRole.TEETH, own))
    plan = edits.set_pairs(plan, small_pairs())
    plan = edits.adopt_match(plan, match_points(plan.pairs, "surface:small"), "surface:small")
    plan = edits.set_arch(plan, ArchCurve(Jaw.LOWER, arch_points()))
    for side in Side:
        plan = edits.set_canal(plan, canal_from_clicks(side, canal_points(side), small_volume(), 3.0))
    bone = BoneSurface(block_surface(np.array([-31.0, -20, -20]), np.array([31.0, 24, 0.0])), 750.0, 0.3)
    plan = edits.adopt_bone(plan, bone)
    catalogue = generic_catalogue()
    for site, x in (("36", 20.0), ("46", -20.0)):
        platform = np.array([x, DEPTH_MM * (x / HALF_WIDTH_MM) ** 2 - 15.0, -1.0])
        shape = catalogue.nearest_fixture(4.0, 8.0, "generic-parallel")
        plan = edits.place_fixture(plan, site, shape, FixturePose(platform, (0.0, 0.0, -1.0)))
        plan = edits.set_sleeve(plan, site, next(iter(catalogue.sleeves.values())))
    plan = edits.set_drill_list(plan, catalogue.drill_list_for(4.0))
    return edits.set_guide(plan, code="T1-01")
