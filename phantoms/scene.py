"""A whole mouth: jaws, what a dentist put there, markers, and where it all lies in the scanner."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from phantoms import paint
from phantoms.arch import HALF_PLANE_MM, PLANE_FRONT_MM, TABLE_STEP_MM
from phantoms.bodies import (
    BASE_END_MM,
    BASE_MM,
    BASE_REACH_MM,
    BODY_HALF_MM,
    BODY_TOP_MM,
    CAPSULE,
    CYLINDER,
    R0,
    R1,
    SEAT_GAP_MM,
    SPHERE,
    TOOTH,
    TYPE,
    X0,
    X1,
    Body,
    Kind,
    shape_row,
)
from phantoms.bone import HEIGHT_MIN_MM, HEIGHT_STEP_MM, OFFSET_MIN_MM, OFFSET_STEP_MM
from phantoms.jaw import LAMINA_MM, LIGAMENT_MM, Jaw
from phantoms.material_map import MaterialMap, texture_tile
from phantoms.materials import Material
from phantoms.pool import in_slabs
from phantoms.sinus import WALL_MM, paint_space
from planner_core.geometry.frames import FloatArray, RigidTransform, readonly


@frozen(eq=False)
class Marker:
    """A radiopaque ball.

    Parameters
    ----------
    name : str
    centre_mm : array of shape (3,)
        Scene frame.
    radius_mm : float
    carrier : str
        What it sits on: ``"ceramic"``, ``"mucosa"``, ``"tooth"``, ``"prosthesis"``.
    """

    name: str
    centre_mm: FloatArray = field(converter=readonly)
    radius_mm: float
    carrier: str


@frozen(eq=False)
class Site:
    """A fixture planned in the phantom: generic numbers of our own.

    Parameters
    ----------
    iso : int
    platform_mm : array of shape (3,)
        Middle of the platform, scene frame.
    axis : array of shape (3,)
        Unit vector from platform to apex, scene frame.
    diameter_mm, length_mm : float
    """

    iso: int
    platform_mm: FloatArray = field(converter=readonly)
    axis: FloatArray = field(converter=readonly)
    diameter_mm: float = 4.0
    length_mm: float = 10.0


@frozen(eq=False)
class Scene:
    """A mouth with known truth. The scene frame is the lower jaw's frame (see `phantoms.jaw`).

    Parameters
    ----------
    name : str
    seed : int
    lower, upper : Jaw or None
    bodies : tuple of Body
        Restorations, without the markers.
    markers : tuple of Marker
    prosthesis : Body or None
        A radiolucent acrylic prosthesis lying on the mucosa of the lower jaw.
    sites : tuple of Site
    lps_from_scene : RigidTransform
        How the head lies in the scanner.
    opening_mm : float
        Height of the upper occlusal plane over the lower one; near zero with the teeth in contact.
    head : bool
        False leaves only the prosthesis with its markers, as in the second scan of a dual scan.
    """

    name: str
    seed: int
    lower: Jaw
    lps_from_scene: RigidTransform
    upper: Jaw | None = None
    bodies: tuple[Body, ...] = ()
    markers: tuple[Marker, ...] = ()
    prosthesis: Body | None = None
    sites: tuple[Site, ...] = ()
    opening_mm: float = 8.0
    head: bool = True

    def jaw_from_scene(self, jaw: Jaw) -> FloatArray:
        """Give the 4x4 matrix into a jaw's own frame; the upper one is flipped in height."""
        matrix = np.eye(4)
        if jaw.upper:
            matrix[2, 2], matrix[2, 3] = -1.0, self.opening_mm
        return matrix


def _box(
    points_mm: FloatArray, margin_mm: float, index_from: FloatArray, shape: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    """Give the index box (low, high) around points, their frame's matrix `index_from` given."""
    index = points_mm @ index_from[:3, :3].T + index_from[:3, 3]
    margin = margin_mm * np.linalg.norm(index_from[:3, :3], axis=1)
    low = np.floor(index.min(axis=0) - margin).astype(np.int64)
    high = np.ceil(index.max(axis=0) + margin).astype(np.int64) + 1
    return np.maximum(low, 0), np.minimum(high, shape)


def body_points(body: Body, jaw: Jaw) -> tuple[FloatArray, float]:
    """Give points and a margin (mm) whose box holds a body, in the jaw's frame."""
    points, margin = [], 1.0
    for row in body.shapes:
        if row[TYPE] in (CAPSULE, CYLINDER, SPHERE):
            points += [row[X0 : X0 + 3], row[X1 : X1 + 3]]
            margin = max(margin, float(row[R0]), float(row[R1]))
        else:
            points.append((jaw.teeth[int(row[TOOTH])].jaw_from_tooth @ [0, 0, 4, 1])[:3])
            margin = max(margin, 9.5)
    return np.array(points), margin + 0.5


def paint_scene(scene: Scene, lps_from_index: FloatArray, shape: tuple[int, int, int]) -> MaterialMap:
    """Paint a scene onto a grid of cubic voxels.

    Parameters
    ----------
    scene : Scene
    lps_from_index : array of shape (4, 4)
        Voxel centres to LPS mm.
    shape : tuple of int
    """
    codes = np.zeros(shape, np.uint32)
    scene_from_index = scene.lps_from_scene.inverse().matrix @ lps_from_index
    voxel = float(np.linalg.norm(lps_from_index[:3, 0]))
    if scene.head:
        noise = texture_tile(scene.seed)
        _paint_head(scene, codes, scene_from_index, voxel, noise)
        for jaw in (scene.lower, scene.upper):
            if jaw is not None:
                _paint_jaw(scene, jaw, codes, scene_from_index, voxel, noise)
    if scene.prosthesis is not None:
        _paint_prosthesis(scene, codes, scene_from_index, voxel)
    if scene.head:
        for body in scene.bodies:
            _paint_body(scene, body, codes, scene_from_index, voxel)
    for marker in scene.markers:
        paint_shapes(scene.lower, marker_body(marker), codes, scene_from_index, voxel, lasting=True)
    return MaterialMap(codes, lps_from_index)


def marker_body(marker: Marker) -> Body:
    """Give a marker as a body."""
    rows = shape_row(SPHERE, marker.centre_mm, None, marker.radius_mm)[None]
    return Body(Kind.MARKER, Material.GLASS_CERAMIC, rows)


def _plane() -> NDArray[np.float64]:
    return np.array([-HALF_PLANE_MM, PLANE_FRONT_MM, TABLE_STEP_MM])


def head_numbers(scene: Scene) -> NDArray[np.float64]:
    """Give half width, front, step back of the neck and height of the chin (mm) of the outline."""
    return np.array([63.0, -15.0, 34.0, float(scene.lower.sections.base_z.min()) - 3.0])


def bone_box(jaw: Jaw) -> NDArray[np.float64]:
    """Give start and step of the straightened bone grid: station, offset, height."""
    s = jaw.curve.stations_mm
    return np.array([s[0], s[1] - s[0], OFFSET_MIN_MM, OFFSET_STEP_MM, HEIGHT_MIN_MM, HEIGHT_STEP_MM])


def _paint_head(
    scene: Scene, codes: NDArray[np.uint32], m: FloatArray, voxel: float, noise: NDArray[np.float32]
) -> None:
    jaw = scene.lower
    station, offset = jaw.curve.plane_table()
    s = jaw.curve.stations_mm
    opening = scene.opening_mm if scene.upper is not None else 8.0
    in_slabs(
        lambda a, b: paint.paint_head(
            codes, a, b, m, voxel, station, offset, _plane(), np.asarray(jaw.table), s[0], s[1] - s[0],
            head_numbers(scene), opening, noise,
        ),
        codes.shape[0],
    )  # fmt: skip


def _paint_jaw(
    scene: Scene, jaw: Jaw, codes: NDArray[np.uint32], scene_m: FloatArray, voxel: float, noise: NDArray[np.float32]
) -> None:
    m = scene.jaw_from_scene(jaw) @ scene_m
    station, offset = jaw.curve.plane_table()
    s = jaw.curve.stations_mm
    in_slabs(
        lambda a, b: paint.paint_jaw(
            codes, a, b, m, voxel, station, offset, _plane(), np.asarray(jaw.table), s[0], s[1] - s[0],
            jaw.bone, bone_box(jaw), noise, 0.10,
        ),
        codes.shape[0],
    )  # fmt: skip
    index_from_jaw = np.linalg.inv(m)
    for space in jaw.spaces:
        to_space = np.linalg.inv(space.frame) @ m
        edge = np.asarray(space.radii_mm) + WALL_MM
        corners = edge * (2.0 * np.array(list(np.ndindex(2, 2, 2))) - 1.0)
        low, high = _box(corners, 0.5, np.linalg.inv(to_space), codes.shape)
        in_slabs(
            lambda a, b, low=low, high=high, to_space=to_space, space=space: paint_space(
                codes, low[0] + a, low[0] + b, low, high, to_space, voxel, np.asarray(space.radii_mm), WALL_MM
            ),
            high[0] - low[0],
        )
    for canal in jaw.canals:
        points = np.asarray(canal.centre_mm)[::2]
        low, high = _box(points, canal.diameter_mm, index_from_jaw, codes.shape)
        in_slabs(
            lambda a, b, low=low, high=high, points=points, canal=canal: paint.paint_tube(
                codes, low[0] + a, low[0] + b, low, high, m, voxel, points, canal.diameter_mm / 2, 0.45
            ),
            high[0] - low[0],
        )
    for tooth in jaw.teeth:
        if tooth.present:
            to_tooth = tooth.tooth_from_jaw @ m
            box_points = np.array([[x, y, z] for x in (-7, 7) for y in (-7, 7) for z in (-18.5, 12.5)], dtype=float)
            low, high = _box(box_points, 0.5, np.linalg.inv(to_tooth), codes.shape)
            in_slabs(
                lambda a, b, low=low, high=high, to_tooth=to_tooth, tooth=tooth: paint.paint_tooth(
                    codes,
                    low[0] + a,
                    low[0] + b,
                    low,
                    high,
                    to_tooth,
                    voxel,
                    np.asarray(tooth.parameters),
                    LIGAMENT_MM,
                    LAMINA_MM,
                ),
                high[0] - low[0],
                parts=2,
            )


def base_numbers() -> NDArray[np.float64]:
    """Give thickness, reach, end station and gap of a prosthesis's base, half width and top of its body (mm)."""
    return np.array([BASE_MM, BASE_REACH_MM, BASE_END_MM, SEAT_GAP_MM, BODY_HALF_MM, BODY_TOP_MM])


def _paint_prosthesis(scene: Scene, codes: NDArray[np.uint32], m: FloatArray, voxel: float) -> None:
    jaw, body = scene.lower, scene.prosthesis
    assert body is not None
    station, offset = jaw.curve.plane_table()
    s = jaw.curve.stations_mm
    to_teeth, parameters = tooth_arrays(jaw)
    in_slabs(
        lambda a, b: paint.paint_prosthesis(
            codes, a, b, m, voxel, station, offset, _plane(), np.asarray(jaw.table), s[0], s[1] - s[0],
            jaw.bone, bone_box(jaw), np.asarray(body.shapes), to_teeth, parameters, base_numbers(),
            int(body.material),
        ),
        codes.shape[0],
    )  # fmt: skip


def tooth_arrays(jaw: Jaw) -> tuple[FloatArray, FloatArray]:
    """Give (teeth, 4, 4) matrices into the teeth's frames and their (teeth, PARAMETERS) rows."""
    return (
        np.stack([tooth.tooth_from_jaw for tooth in jaw.teeth]),
        np.stack([tooth.parameters for tooth in jaw.teeth]),
    )


def _paint_body(scene: Scene, body: Body, codes: NDArray[np.uint32], scene_m: FloatArray, voxel: float) -> None:
    jaw = scene.upper if body.upper and scene.upper is not None else scene.lower
    paint_shapes(jaw, body, codes, scene.jaw_from_scene(jaw) @ scene_m, voxel)


def paint_shapes(
    jaw: Jaw,
    body: Body,
    codes: NDArray[np.uint32],
    jaw_from_index: FloatArray,
    voxel_mm: float,
    lasting: bool = False,
) -> None:
    """Paint a body's shapes into `codes`, one shape at a time: its box is small, that of a whole bridge is not.

    `lasting` bodies (markers) stay in the scene without restorations.
    """
    to_teeth, parameters = tooth_arrays(jaw)
    index_from_jaw = np.linalg.inv(jaw_from_index)
    for row in body.shapes:
        part = Body(body.kind, body.material, row[None], body.upper, body.teeth)
        points, margin = body_points(part, jaw)
        low, high = _box(points, margin, index_from_jaw, codes.shape)
        in_slabs(
            lambda a, b, low=low, high=high, part=part: paint.paint_body(
                codes, low[0] + a, low[0] + b, low, high, jaw_from_index, voxel_mm, np.asarray(part.shapes),
                to_teeth, parameters, int(body.material), int(lasting),
            ),
            high[0] - low[0],
            parts=2,
        )  # fmt: skip
