"""Flat sections through a volume: where they lie and their grey values."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.anatomy import sampling
from planner_core.anatomy.structures import ArchCurve
from planner_core.errors import PlannerError
from planner_core.geometry.frames import (
    FloatArray,
    perpendicular,
    readonly,
    readonly_unit,
    rotation_about,
    unit,
)
from planner_core.geometry.volume import Volume

LARGEST_PICTURE_PIXELS = 4096
"""Longest side of a section in pixels (our choice: more is a mistake in the pixel size)."""


class AxisPose(Protocol):
    """Anything with a platform centre and an axis to the apex, such as a fixture's pose."""

    @property
    def platform_lps_mm(self) -> FloatArray:
        """Platform centre, shape (3,)."""

    @property
    def axis_lps(self) -> FloatArray:
        """Unit vector from platform to apex, shape (3,)."""


@frozen(eq=False)
class SectionFrame:
    """Where a section picture lies in the patient.

    Parameters
    ----------
    origin_lps_mm : array of shape (3,)
        The picture's centre.
    right_lps, down_lps : array of shape (3,)
        Unit vectors to the right and down in the picture, perpendicular to each other.
    width_mm, height_mm, pixel_mm : float

    Raises
    ------
    PlannerError
        If the directions are not perpendicular or the picture has no pixels or too many.
    """

    origin_lps_mm: FloatArray = field(converter=readonly)
    right_lps: FloatArray = field(converter=readonly_unit)
    down_lps: FloatArray = field(converter=readonly_unit)
    width_mm: float = 60.0
    height_mm: float = 60.0
    pixel_mm: float = 0.2
    normal_lps: FloatArray = field(init=False, repr=False)
    """Unit vector into the picture (right x down), shape (3,); asked for hundreds of times per picture."""

    def __attrs_post_init__(self) -> None:
        object.__setattr__(self, "normal_lps", readonly(np.cross(self.right_lps, self.down_lps)))
        if abs(float(self.right_lps @ self.down_lps)) > 1e-6:
            raise PlannerError("The two directions of a section must be perpendicular.", "")
        sizes = (self.width_mm, self.height_mm, self.pixel_mm)
        if not np.isfinite(sizes).all() or min(sizes) <= 0:
            raise PlannerError(f"A section needs a size above zero, not {sizes}.", "Choose another size.")
        if max(self.shape) > LARGEST_PICTURE_PIXELS:
            raise PlannerError(
                f"A section of {self.shape} pixels is too large.", "Choose larger pixels or a smaller section."
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the picture."""
        return max(1, round(self.height_mm / self.pixel_mm)), max(1, round(self.width_mm / self.pixel_mm))

    def to_lps(self, pixels: ArrayLike) -> FloatArray:
        """Take (row, column) pixel centres of shape (2,) or (n, 2) to LPS mm."""
        place = np.asarray(pixels, dtype=np.float64)
        rows, columns = self.shape
        down = (place[..., 0:1] - (rows - 1) / 2.0) * self.pixel_mm
        right = (place[..., 1:2] - (columns - 1) / 2.0) * self.pixel_mm
        return np.asarray(self.origin_lps_mm + down * self.down_lps + right * self.right_lps)

    def to_pixel(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take LPS points of shape (3,) or (n, 3) to (row, column, depth in mm along `normal_lps`)."""
        offset = np.asarray(points_lps_mm, dtype=np.float64) - self.origin_lps_mm
        rows, columns = self.shape
        return np.stack(
            [
                offset @ self.down_lps / self.pixel_mm + (rows - 1) / 2.0,
                offset @ self.right_lps / self.pixel_mm + (columns - 1) / 2.0,
                offset @ self.normal_lps,
            ],
            axis=-1,
        )

    def shifted(self, by_mm: float) -> SectionFrame:
        """Give the parallel section `by_mm` further along `normal_lps`."""
        return evolve(self, origin_lps_mm=self.origin_lps_mm + by_mm * self.normal_lps)

    def turned(self, about_lps: ArrayLike, angle_deg: float) -> SectionFrame:
        """Give the section turned by `angle_deg` about an axis through its centre (an oblique section by hand)."""
        rotation = rotation_about(about_lps, np.radians(angle_deg))
        right = unit(rotation @ self.right_lps)
        down = rotation @ self.down_lps
        return evolve(self, right_lps=right, down_lps=unit(down - right * float(down @ right)))


def sample_section(
    volume: Volume, frame: SectionFrame, slab_mm: float = 0.0, mode: str = "mean"
) -> NDArray[np.float32]:
    """Give the grey values of a section.

    Parameters
    ----------
    slab_mm : float
        Thickness; layers from half of it in front to half of it behind the plane are joined.
    mode : {"mean", "max"}
        How the layers are joined.

    Returns
    -------
    float32 array of `frame.shape`
        Trilinear grey values, nan outside the volume (beyond the outermost voxel centres).
    """
    number = sampling.mode_number(mode)
    layers, layer_mm = sampling.layers_of(volume, slab_mm)
    turn = volume.index_from_lps[:3, :3]
    corner = volume.to_index(frame.to_lps([0.0, 0.0]) - 0.5 * layer_mm * (layers - 1) * frame.normal_lps)
    out = np.empty(frame.shape, np.float32)
    arguments = (
        sampling.stored_of(volume),
        corner,
        turn @ frame.down_lps * frame.pixel_mm,
        turn @ frame.right_lps * frame.pixel_mm,
        turn @ frame.normal_lps * layer_mm,
        layers,
        number,
        np.float32(volume.scale),
        np.float32(volume.offset),
        out,
    )
    sampling.run_rows(sampling._plane_rows, arguments, out.shape[0], out.size * layers)
    return out


def axial_frame(
    volume: Volume,
    z_or_point: float | ArrayLike,
    width_mm: float | None = None,
    height_mm: float | None = None,
    pixel_mm: float | None = None,
    up_lps: ArrayLike = (0.0, 0.0, 1.0),
) -> SectionFrame:
    """Give an axial section: patient's right on the left of the picture, front on top.

    Parameters
    ----------
    z_or_point : float or array of shape (3,)
        LPS z of the section through the volume's centre, or the picture's centre.
    width_mm, height_mm, pixel_mm : float, optional
        Default: the whole volume at its finest voxel size.
    up_lps : array of shape (3,)
        Direction that the section is perpendicular to; an arch's `up_lps` gives the occlusal plane.
    """
    up = unit(up_lps)
    right = unit(np.array([1.0, 0.0, 0.0]) - up * up[0]) if abs(up[0]) < 0.9 else perpendicular(up)
    down = np.cross(up, right)
    pixel = min(volume.spacing_mm) if pixel_mm is None else pixel_mm
    corners = volume.corners_lps_mm() - volume.centre_lps_mm
    width = 2.0 * float(np.abs(corners @ right).max()) + pixel if width_mm is None else width_mm
    height = 2.0 * float(np.abs(corners @ down).max()) + pixel if height_mm is None else height_mm
    where = np.asarray(z_or_point, dtype=np.float64)
    if where.ndim == 0:
        centre = volume.centre_lps_mm
        origin = centre + up * (float(where) - centre[2]) / (up[2] if abs(up[2]) > 0.1 else 1.0)
    else:
        origin = where
    return SectionFrame(origin, right, down, width, height, pixel)


def cross_section_frame(
    arch: ArchCurve,
    station_mm: float,
    width_mm: float = 40.0,
    height_mm: float = 50.0,
    pixel_mm: float = 0.2,
    centre_height_mm: float = 0.0,
) -> SectionFrame:
    """Give the section across the arch at a station: cheek or lip to the right, head on top.

    `centre_height_mm` moves the picture's centre along the arch's `up_lps`.
    """
    origin = arch.point_at(station_mm) + centre_height_mm * arch.up_lps
    return SectionFrame(origin, arch.outward_at(station_mm), -arch.up_lps, width_mm, height_mm, pixel_mm)


def cross_section_row(
    arch: ArchCurve, station_mm: float, count: int, spacing_mm: float, **size: float
) -> tuple[SectionFrame, ...]:
    """Give `count` cross-sections about a station, `spacing_mm` apart along the arch, by growing station."""
    first = station_mm - spacing_mm * (count - 1) / 2.0
    return tuple(cross_section_frame(arch, first + k * spacing_mm, **size) for k in range(count))


def along_arch_frame(
    arch: ArchCurve,
    station_mm: float,
    width_mm: float = 60.0,
    height_mm: float = 50.0,
    pixel_mm: float = 0.2,
    centre_height_mm: float = 0.0,
    outward_mm: float = 0.0,
) -> SectionFrame:
    """Give the section along the arch's tangent: growing station (patient's left) to the right, head on top."""
    origin = arch.point_at(station_mm) + centre_height_mm * arch.up_lps + outward_mm * arch.outward_at(station_mm)
    return SectionFrame(origin, arch.tangent_at(station_mm), -arch.up_lps, width_mm, height_mm, pixel_mm)


def fixture_frame(
    pose: AxisPose,
    roll_deg: float = 0.0,
    width_mm: float = 40.0,
    height_mm: float = 50.0,
    pixel_mm: float = 0.2,
    depth_mm: float = 5.0,
    reference_lps: ArrayLike | None = None,
) -> SectionFrame:
    """Give a plane through a fixture's axis, head on top; the one 90 degrees on is its mate.

    Parameters
    ----------
    roll_deg : float
        Rotation about the axis from `reference_lps`.
    depth_mm : float
        How far below the platform the picture's centre lies on the axis.
    reference_lps : array of shape (3,), optional
        Direction that lies in the plane to the right at roll zero, for example the arch's `outward_at`.
    """
    axis = unit(pose.axis_lps)
    start = perpendicular(axis)
    if reference_lps is not None:
        wanted = np.asarray(reference_lps, dtype=np.float64)
        across = wanted - axis * float(wanted @ axis)
        start = unit(across) if float(np.linalg.norm(across)) > 1e-6 else start
    right = rotation_about(axis, np.radians(roll_deg)) @ start
    down = axis if axis[2] <= 0.0 else -axis
    origin = np.asarray(pose.platform_lps_mm) + depth_mm * axis
    return SectionFrame(origin, unit(right), down, width_mm, height_mm, pixel_mm)


def fixture_frames(pose: AxisPose, arch: ArchCurve, **size: float) -> tuple[SectionFrame, SectionFrame]:
    """Give the two sections through a fixture's axis: across the arch and along it."""
    station = arch.station_of(pose.platform_lps_mm)
    across = fixture_frame(pose, 0.0, reference_lps=arch.outward_at(station), **size)
    along = fixture_frame(pose, 0.0, reference_lps=arch.tangent_at(station), **size)
    return across, along


def warm_up() -> None:
    """Compile (or load from the cache) every sampling kernel, so that the first picture is not late."""
    volume = Volume(np.zeros((3, 3, 3), np.int16), np.eye(4))
    frame = SectionFrame((1, 1, 1), (1, 0, 0), (0, 1, 0), 2.0, 2.0, 1.0)
    sample_section(volume, frame)
    sampling.grey_at(volume, [[1.0, 1.0, 1.0]])
    tops = np.ones((2, 3))
    sampling._sheet_rows(
        sampling.stored_of(volume), tops, np.zeros(3), tops, 1, 0, np.float32(1), np.float32(0),
        np.empty((2, 2), np.float32), 0, 2,
    )  # fmt: skip
