"""What is known of a scene, in LPS."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from skimage.measure import marching_cubes

from phantoms import measure
from phantoms.bodies import Body, Kind
from phantoms.gum import bone_distance, straightened
from phantoms.jaw import Jaw
from phantoms.materials import Material
from phantoms.scene import Scene, body_points, bone_box, paint_shapes
from phantoms.sinus import AirSpace
from phantoms.teeth import HEIGHT
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, RigidTransform, readonly
from planner_core.geometry.surface import Surface


@frozen(eq=False)
class CanalTruth:
    """A mandibular canal: centre-line (n, 3) in LPS from the back to the mental foramen, and diameter (mm)."""

    side: str
    centre_lps_mm: FloatArray = field(converter=readonly)
    diameter_mm: float

    @property
    def foramen_lps_mm(self) -> FloatArray:
        """Where the canal leaves the bone."""
        return np.asarray(self.centre_lps_mm[-1])


@frozen(eq=False)
class ToothTruth:
    """A tooth's place.

    Parameters
    ----------
    iso : int
        ISO 3950 number.
    axis : array of shape (3,)
        Unit vector from the root to the chewing surface, LPS.
    cervix_lps_mm, crown_tip_lps_mm : arrays of shape (3,)
    apexes_lps_mm : array of shape (roots, 3)
    restored : bool
    """

    iso: int
    axis: FloatArray = field(converter=readonly)
    cervix_lps_mm: FloatArray = field(converter=readonly)
    crown_tip_lps_mm: FloatArray = field(converter=readonly)
    apexes_lps_mm: FloatArray = field(converter=readonly)
    restored: bool = False


@frozen(eq=False)
class BodyTruth:
    """A restoration or marker: kind, material, centre (LPS mm), volume (mm3), the positions it serves."""

    kind: Kind
    material: Material
    centre_lps_mm: FloatArray = field(converter=readonly)
    volume_mm3: float
    teeth: tuple[int, ...] = ()
    name: str = ""


@frozen(eq=False)
class SiteTruth:
    """A planned fixture in LPS."""

    iso: int
    platform_lps_mm: FloatArray = field(converter=readonly)
    axis: FloatArray = field(converter=readonly)
    diameter_mm: float
    length_mm: float


@frozen(eq=False)
class SpaceTruth:
    """A sinus or the nose: its middle (LPS mm), its lowest point (LPS mm) and its air's surface (LPS)."""

    name: str
    centre_lps_mm: FloatArray = field(converter=readonly)
    floor_lps_mm: FloatArray = field(converter=readonly)
    surface: Surface


@frozen(eq=False)
class RidgeTruth:
    """The lower jaw's section across the arch at a station.

    Parameters
    ----------
    station_mm : float
    crest_lps_mm, base_lps_mm : arrays of shape (3,)
        Highest and lowest point of the bone (in the jaw's own upright).
    width_mm : dict of float to float or None
        Width of the bone across the arch by depth below the crest (mm), level with the occlusal plane; None where
        the section has no bone there.
    height_mm : float
        From crest to lower border.
    """

    station_mm: float
    crest_lps_mm: FloatArray = field(converter=readonly)
    base_lps_mm: FloatArray = field(converter=readonly)
    width_mm: dict[float, float | None]
    height_mm: float


@frozen(eq=False)
class Truth:
    """Everything known of a scene; LPS millimetres.

    Parameters
    ----------
    scene : Scene
        What it was read from; the functions below ask its formulas.
    arch_lps_mm : array of shape (n, 3)
        The lower tooth row from the patient's right to the left, at the height of the necks of the teeth.
    canals : tuple of CanalTruth
    teeth, upper_teeth : tuple of ToothTruth
        Present teeth only.
    bodies : tuple of BodyTruth
        Restorations, without the markers.
    markers_lps_mm : dict of str to array (3,)
    sites : tuple of SiteTruth
    """

    scene: Scene
    arch_lps_mm: FloatArray = field(converter=readonly)
    canals: tuple[CanalTruth, ...]
    teeth: tuple[ToothTruth, ...]
    upper_teeth: tuple[ToothTruth, ...]
    bodies: tuple[BodyTruth, ...]
    markers_lps_mm: dict[str, FloatArray]
    sites: tuple[SiteTruth, ...]

    def bone_distance_mm(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Give the signed distance (mm, negative inside) to the lower jaw bone's outer surface at points (n, 3)."""
        points = self.scene.lps_from_scene.inverse().apply(np.atleast_2d(points_lps_mm))
        return bone_distance(self.scene.lower, points)

    def arch_place(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take points (n, 3) to (station, offset outward, height) along the true arch."""
        points = self.scene.lps_from_scene.inverse().apply(np.atleast_2d(points_lps_mm))
        return straightened(self.scene.lower, points)

    def ridge_at(self, station_mm: float, depths_mm: Sequence[float] = (0.5, 1.0, 3.0, 5.0)) -> RidgeTruth:
        """Measure the bone's section at a station, to about 0.03 mm."""
        jaw = self.scene.lower
        offsets, heights = np.arange(-13.0, 15.0, 0.03), np.arange(-48.0, 12.0, 0.03)
        places = np.column_stack([np.full(len(offsets), station_mm), offsets])
        inside = measure.bone_columns(jaw.bone, places, heights, bone_box(jaw)) < 0.0
        any_at = np.flatnonzero(inside.any(axis=0))
        if len(any_at) == 0:
            raise PlannerError(f"The phantom has no bone at station {station_mm:g} mm.", "Choose one on the arch.")
        top, bottom = int(any_at[-1]), int(any_at[0])

        def point(level: int) -> FloatArray:
            across = float(offsets[inside[:, level]].mean())
            local = np.append(jaw.curve.at(station_mm, across), heights[level])
            return self.scene.lps_from_scene.apply(local)

        widths: dict[float, float | None] = {}
        for depth in depths_mm:
            level = round((heights[top] - depth - heights[0]) / 0.03)
            row = np.flatnonzero(inside[:, level]) if level >= 0 else np.zeros(0)
            widths[float(depth)] = float(offsets[row[-1]] - offsets[row[0]] + 0.03) if len(row) else None
        return RidgeTruth(station_mm, point(top), point(bottom), widths, float(heights[top] - heights[bottom]))

    def bone_surface(self, step_mm: float = 0.5, half_width_mm: float = 50.0, back_mm: float = 62.0) -> Surface:
        """Give the outer surface of the lower jaw bone up to `back_mm`, in LPS; sockets count as bone."""
        jaw = self.scene.lower
        low, high = np.array([-half_width_mm, -18.0, -47.0]), np.array([half_width_mm, back_mm, 12.0])
        values = _bone_grid(jaw, low, high, step_mm)
        return _surface(values, low, step_mm, self.scene.lps_from_scene)

    def air_spaces(self, step_mm: float = 0.7) -> tuple[SpaceTruth, ...]:
        """Give the sinuses and the nose of the upper jaw; none where the scene has been made without."""
        jaw = self.scene.upper
        if jaw is None:
            return ()
        return tuple(_space_truth(self.scene, jaw, space, step_mm) for space in jaw.spaces)

    def root_surface(self, iso: int, step_mm: float = 0.25) -> Surface:
        """Give one tooth's root surface (below the cervix), in LPS."""
        return self.tooth_surface(iso, step_mm, roots_only=True)

    def tooth_surface(self, iso: int, step_mm: float = 0.25, roots_only: bool = False) -> Surface:
        """Give one tooth's whole surface, crown and roots, in LPS."""
        upper = iso // 10 in (1, 2)
        jaw = self.scene.upper if upper else self.scene.lower
        assert jaw is not None
        tooth = jaw.tooth(iso)
        low, high = np.array([-7.0, -7.5, -18.5]), np.array([7.0, 7.5, 0.3 if roots_only else 12.5])
        axes = [np.arange(low[k], high[k] + step_mm, step_mm) for k in range(3)]
        p = np.asarray(tooth.parameters)
        values = measure.tooth_grid(axes[0], axes[1], axes[2], p, roots_only)
        matrix = np.linalg.inv(self.scene.jaw_from_scene(jaw)) @ tooth.jaw_from_tooth
        points, triangles = march(values, low, step_mm)
        points = points @ matrix[:3, :3].T + matrix[:3, 3]
        if np.linalg.det(matrix[:3, :3]) < 0:
            triangles = triangles[:, ::-1]
        return Surface(self.scene.lps_from_scene.apply(points), triangles, "lps")


def _space_truth(scene: Scene, jaw: Jaw, space: AirSpace, step: float) -> SpaceTruth:
    """Contour a space and bring it to LPS; the upper jaw's frame is upside down, so triangles turn round."""
    low = -np.asarray(space.radii_mm) - 2 * step
    axes = [np.arange(edge, -edge + step, step) for edge in low]
    points, triangles = march(measure.space_grid(*axes, np.asarray(space.radii_mm)), low, step)
    matrix = np.linalg.inv(scene.jaw_from_scene(jaw)) @ space.frame
    if np.linalg.det(matrix[:3, :3]) < 0:
        triangles = triangles[:, ::-1]
    to_lps = scene.lps_from_scene
    here = to_lps.apply(points @ matrix[:3, :3].T + matrix[:3, 3])
    floor = to_lps.apply(matrix[:3, :3] @ [0.0, 0.0, space.radii_mm[2]] + matrix[:3, 3])
    return SpaceTruth(space.name, to_lps.apply(matrix[:3, 3]), floor, Surface(here, triangles, "lps"))


def _bone_grid(jaw: Jaw, low: FloatArray, high: FloatArray, step: float) -> FloatArray:
    axes = [np.arange(low[k], high[k] + step, step) for k in range(3)]
    x, y = np.meshgrid(axes[0], axes[1], indexing="ij")
    places = straightened(jaw, np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1))
    columns = measure.bone_columns(jaw.bone, places[:, :2].copy(), axes[2], bone_box(jaw))
    return np.asarray(columns.reshape(*x.shape, len(axes[2])))


def march(values: FloatArray, low: FloatArray, step: float) -> tuple[FloatArray, NDArray[np.int32]]:
    """Give points and outward triangles of the zero level of a signed distance grid (x, y, z)."""
    closed = np.pad(values, 1, constant_values=float(max(values.max(), 1.0)))
    points, triangles, _, _ = marching_cubes(closed, 0.0, spacing=(step,) * 3, gradient_direction="descent")
    return points + low - step, triangles.astype(np.int32)


def _surface(values: FloatArray, low: FloatArray, step: float, pose: RigidTransform) -> Surface:
    points, triangles = march(values, low, step)
    return Surface(pose.apply(points), triangles, pose.target)


def body_truth(scene: Scene, body: Body, name: str = "", step_mm: float = 0.35) -> BodyTruth:
    """Measure a body's centre and volume by painting it alone on a fine grid of its jaw's frame."""
    jaw = scene.upper if body.upper and scene.upper is not None else scene.lower
    points, margin = body_points(body, jaw)
    low, high = points.min(axis=0) - margin, points.max(axis=0) + margin
    shape = tuple(np.ceil((high - low)[::-1] / step_mm).astype(int) + 1)
    jaw_from_index = np.zeros((4, 4))
    jaw_from_index[2, 0] = jaw_from_index[1, 1] = jaw_from_index[0, 2] = step_mm
    jaw_from_index[:, 3] = [*low, 1.0]
    codes = np.zeros(shape, np.uint32)
    paint_shapes(jaw, body, codes, jaw_from_index, step_mm)
    share = ((codes >> 16) & 255) / 255.0
    total = float(share.sum())
    index = np.array([float((share.sum(axis=axes) * np.arange(n)).sum()) / total for axes, n in _other_axes(shape)])
    back = np.linalg.inv(scene.jaw_from_scene(jaw))
    centre = back[:3, :3] @ (low + index[::-1] * step_mm) + back[:3, 3]
    volume = total * step_mm**3
    return BodyTruth(body.kind, body.material, scene.lps_from_scene.apply(centre), volume, body.teeth, name)


def _other_axes(shape: tuple[int, ...]) -> list[tuple[tuple[int, int], int]]:
    return [((1, 2), shape[0]), ((0, 2), shape[1]), ((0, 1), shape[2])]


def _teeth(scene: Scene, jaw: Jaw | None) -> tuple[ToothTruth, ...]:
    if jaw is None:
        return ()
    restored = {iso for body in scene.bodies if body.upper == jaw.upper for iso in body.teeth}
    back = np.linalg.inv(scene.jaw_from_scene(jaw))
    out = []
    to_lps = scene.lps_from_scene
    for tooth in jaw.teeth:
        if not tooth.present:
            continue
        matrix = back @ tooth.jaw_from_tooth

        out.append(
            ToothTruth(
                tooth.iso,
                to_lps.apply_direction(matrix[:3, 2]),
                to_lps.apply(matrix[:3, 3]),
                to_lps.apply(matrix[:3, 3] + matrix[:3, 2] * tooth.parameters[HEIGHT]),
                to_lps.apply(tooth.apexes_mm() @ matrix[:3, :3].T + matrix[:3, 3]),
                tooth.iso in restored,
            )
        )
    return tuple(out)


def truth_of(scene: Scene, measure_bodies: bool = True) -> Truth:
    """Read the truth of a scene; measuring the bodies takes up to a second."""
    to_lps, jaw = scene.lps_from_scene, scene.lower
    stations = np.arange(-62.0, 62.01, 1.0)
    necks = np.full(len(stations), float(np.median([t.jaw_from_tooth[2, 3] for t in jaw.teeth])))
    arch = to_lps.apply(np.column_stack([jaw.curve.at(stations), necks]))
    canals = tuple(CanalTruth(c.side, to_lps.apply(c.centre_mm), c.diameter_mm) for c in jaw.canals)
    sites = tuple(
        SiteTruth(s.iso, to_lps.apply(s.platform_mm), to_lps.apply_direction(s.axis), s.diameter_mm, s.length_mm)
        for s in scene.sites
    )
    return Truth(
        scene,
        arch,
        canals,
        _teeth(scene, jaw),
        _teeth(scene, scene.upper),
        tuple(body_truth(scene, body) for body in scene.bodies) if measure_bodies else (),
        {marker.name: to_lps.apply(marker.centre_mm) for marker in scene.markers},
        sites,
    )
