"""The mouth as an intra-oral scanner sees it, in the scan's own frame."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from phantoms import measure
from phantoms.bodies import SHAPE_COLUMNS
from phantoms.gum import straightened
from phantoms.jaw import Jaw
from phantoms.pool import in_slabs
from phantoms.scene import Scene, base_numbers, bone_box, marker_body, tooth_arrays
from phantoms.truth import march
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, RigidTransform, rotation_about, unit
from planner_core.geometry.surface import Surface

SCAN_STEP_MM = 0.4
"""Grid of the scan; the zero level is found between grid points, so the surface errs by hundredths."""
BELOW_MARGIN_MM = 4.5
"""How far the scan reaches over the gingiva below the necks of the teeth."""


@frozen(eq=False)
class SurfaceScan:
    """A scan of one jaw's surface and where it belongs.

    Parameters
    ----------
    surface : Surface
        In its own frame, ``"surface:lower"`` or ``"surface:upper"``.
    lps_from_surface : RigidTransform
        The truth.
    markers_surface_mm : dict of str to array (3,)
        Centres of the marker balls in the scan's frame.
    """

    surface: Surface
    lps_from_surface: RigidTransform
    markers_surface_mm: dict[str, FloatArray]


def scan_pose(seed: int, frame: str) -> RigidTransform:
    """Give a scanner's arbitrary frame: LPS from it, with a large turn and shift."""
    rng = np.random.default_rng([seed, 31])
    rotation = rotation_about(unit(rng.standard_normal(3)), float(rng.uniform(0.4, 2.4)))
    return RigidTransform.from_parts(rotation, rng.uniform(-40, 40, 3), frame, "lps")


def scan_surface(
    scene: Scene,
    noise_mm: float = 0.02,
    seed: int = 0,
    region: tuple[float, float] = (-66.0, 66.0),
    *,
    upper: bool = False,
    step_mm: float = SCAN_STEP_MM,
    pose: RigidTransform | None = None,
    with_markers: bool = True,
) -> SurfaceScan:
    """Scan a jaw's visible surface: teeth, restorations, markers and gingiva.

    Parameters
    ----------
    scene : Scene
    noise_mm : float
        Standard deviation of the surface's smooth error along its normals.
    seed : int
        Of the noise and of the scan's own frame.
    region : tuple of float
        Stations (mm) from which to which the scan reaches.
    upper : bool
        Scan the upper jaw instead.
    step_mm : float
    pose : RigidTransform, optional
        LPS from the scan's frame, instead of a random one.
    """
    jaw = scene.upper if upper else scene.lower
    assert jaw is not None
    frame = "surface:upper" if upper else "surface:lower"
    values, low = _seen(scene, jaw, step_mm, with_markers)
    points, triangles = march(values, low, step_mm)
    points, triangles = _trimmed(jaw, points, triangles, region)
    flip = np.linalg.inv(scene.jaw_from_scene(jaw))
    points = points @ flip[:3, :3].T + flip[:3, 3]
    if upper:
        triangles = triangles[:, ::-1]
    lps = Surface(scene.lps_from_scene.apply(points), triangles, "lps")
    if noise_mm > 0:
        lps = _noisy(lps, noise_mm, np.random.default_rng([seed, 5]))
    pose = pose or scan_pose(seed, frame)
    markers = {m.name: pose.inverse().apply(scene.lps_from_scene.apply(m.centre_mm)) for m in scene.markers}
    return SurfaceScan(lps.moved(pose.inverse()), pose, markers if with_markers and not upper else {})


def _columns(jaw: Jaw, step: float) -> tuple[list[FloatArray], FloatArray, FloatArray, FloatArray]:
    """Give a grid's axes and corner in the jaw frame, its columns in the plane, and their straightened places."""
    extent = np.abs(jaw.curve.points_mm[np.abs(jaw.curve.stations_mm) < 68.0])
    low = np.array([-extent[:, 0].max() - 15.0, -18.0, float(jaw.sections.crest_z.min()) - 9.0])
    high = np.array([extent[:, 0].max() + 15.0, extent[:, 1].max() + 6.0, 4.0])
    axes = [np.arange(low[k], high[k] + step, step) for k in range(3)]
    x, y = np.meshgrid(axes[0], axes[1], indexing="ij")
    plane = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    places = np.ascontiguousarray(straightened(jaw, plane)[:, :2])
    return axes, low, plane, places


def _seen(scene: Scene, jaw: Jaw, step: float, with_markers: bool) -> tuple[FloatArray, FloatArray]:
    """Give the signed distance (mm) on a grid of the jaw's frame, and the grid's corner."""
    axes, low, plane, places = _columns(jaw, step)
    shapes = [body.shapes for body in scene.bodies if body.upper == jaw.upper]
    if with_markers and not jaw.upper:
        shapes += [marker_body(marker).shapes for marker in scene.markers]
    rows = np.vstack(shapes) if shapes else np.zeros((0, SHAPE_COLUMNS))
    to_teeth, parameters = tooth_arrays(jaw)
    outer = np.array([int(tooth.present) for tooth in jaw.teeth])
    s = jaw.curve.stations_mm
    out = np.empty((len(places), len(axes[2])))
    box, table = bone_box(jaw), np.asarray(jaw.table)

    def work(first: int, last: int) -> None:
        measure.scan_columns(
            places[first:last], plane[first:last], axes[2], jaw.bone, box, table, s[0], s[1] - s[0],
            to_teeth, parameters, outer, rows, out[first:last],
        )  # fmt: skip

    in_slabs(work, len(places), parts=16)
    return out.reshape(len(axes[0]), len(axes[1]), len(axes[2])), low


def scan_prosthesis(
    scene: Scene,
    noise_mm: float = 0.02,
    seed: int = 0,
    *,
    step_mm: float = SCAN_STEP_MM,
    pose: RigidTransform | None = None,
) -> SurfaceScan:
    """Scan the prosthesis by itself from all sides, fitting side included, in frame ``"surface:prosthesis"``."""
    jaw, body = scene.lower, scene.prosthesis
    if body is None:
        raise PlannerError("This mouth has no prosthesis to scan.", "Use an edentulous one.")
    axes, low, plane, places = _columns(jaw, step_mm)
    to_teeth, parameters = tooth_arrays(jaw)
    s = jaw.curve.stations_mm
    balls = [marker_body(marker).shapes for marker in scene.markers]
    rows = np.vstack(balls) if balls else np.zeros((0, SHAPE_COLUMNS))
    out = np.empty((len(places), len(axes[2])))

    def work(first: int, last: int) -> None:
        measure.prosthesis_columns(
            places[first:last], plane[first:last], axes[2], jaw.bone, bone_box(jaw), np.asarray(jaw.table), s[0],
            s[1] - s[0], to_teeth, parameters, np.asarray(body.shapes), base_numbers(), rows, out[first:last],
        )  # fmt: skip

    in_slabs(work, len(places), parts=16)
    points, triangles = march(out.reshape(len(axes[0]), len(axes[1]), len(axes[2])), low, step_mm)
    surface = Surface(scene.lps_from_scene.apply(points), triangles, "lps")
    if noise_mm > 0:
        surface = _noisy(surface, noise_mm, np.random.default_rng([seed, 6]))
    pose = pose or scan_pose(seed, "surface:prosthesis")
    markers = {m.name: pose.inverse().apply(scene.lps_from_scene.apply(m.centre_mm)) for m in scene.markers}
    return SurfaceScan(surface.moved(pose.inverse()), pose, markers)


def _trimmed(
    jaw: Jaw, points: FloatArray, triangles: np.ndarray, region: tuple[float, float]
) -> tuple[FloatArray, np.ndarray]:
    """Cut the closed body down to what the scanner reaches, and keep its largest piece."""
    places = straightened(jaw, points)
    crest = np.interp(places[:, 0], jaw.curve.stations_mm, jaw.sections.crest_z)
    keep = (places[:, 2] > crest - BELOW_MARGIN_MM - 2.0) & (places[:, 0] > region[0]) & (places[:, 0] < region[1])
    keep &= (np.abs(places[:, 1]) < 12.0) & (places[:, 2] < 3.5)
    triangles = triangles[keep[triangles].all(axis=1)]
    edges = np.vstack([triangles[:, :2], triangles[:, 1:]])
    graph = csr_matrix((np.ones(len(edges)), (edges[:, 0], edges[:, 1])), shape=(len(points),) * 2)
    _, label = connected_components(graph, directed=False)
    largest = np.bincount(label[triangles[:, 0]]).argmax()
    triangles = triangles[label[triangles[:, 0]] == largest]
    used = np.unique(triangles)
    renumber = np.full(len(points), -1, np.int32)
    renumber[used] = np.arange(len(used))
    return points[used], renumber[triangles]


def _noisy(surface: Surface, noise_mm: float, rng: np.random.Generator) -> Surface:
    """Move the points along their normals by a smooth random field (waves of 2 to 12 mm)."""
    points = surface.points_mm
    field = np.zeros(len(points))
    waves = 24
    for _ in range(waves):
        direction = unit(rng.standard_normal(3)) * 2 * np.pi / rng.uniform(2.0, 12.0)
        field += np.sin(points @ direction + rng.uniform(0, 2 * np.pi))
    field *= noise_mm / np.sqrt(waves / 2)
    return Surface(points + surface.point_normals * field[:, None], surface.triangles, surface.frame)
