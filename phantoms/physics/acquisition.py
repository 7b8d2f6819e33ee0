"""How a simulated scan is taken: tube, detector, path, dose, faults."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, RigidTransform, readonly

SHORT_MARGIN_DEG = 2.0
"""A short scan covers half a turn, the fan, and this much more."""


@frozen
class Acquisition:
    """Settings of a simulated cone-beam scan; every number is the phantom's own.

    Parameters
    ----------
    voxel_mm : float
        Edge of the reconstructed cubic voxels.
    shape : tuple of int
        Slices, rows, columns of the reconstruction. A small one truncates the head, as small fields of view do.
    centre_scene_mm : tuple of float
        Middle of the field of view in the scene frame.
    kvp, aluminium_mm, copper_mm : float
        Tube voltage and filters.
    photons : float
        Photons per detector pixel and view without an object; the dose.
    views : int
    short_scan : bool
        Half a turn and the fan with Parker's weights; otherwise a full turn.
    start_deg : float
    source_axis_mm, source_detector_mm : float
    detector_px : tuple of int or None
        Rows and columns; None fits the field of view.
    map_refinement : float
        Edge of the painted voxels as a share of `voxel_mm`.
    scatter : float
        Strength of the blurred scatter; see `phantoms.physics.detector`.
    scatter_floor : float
        Constant share of the open beam added everywhere (room, lag, veiling glare).
    scatter_corrected : float
        Share of the mean scatter that the machine takes off again.
    electronic_noise : float
        Standard deviation in photons.
    blur_px : float
        Blur of the detector (standard deviation in pixels).
    motion : RigidTransform or None
        The patient's move from the scene's place, in LPS, from the view at `motion_at` on.
    motion_at : float
    bad_columns : tuple of (column share, gain)
        Detector columns with a wrong gain: rings.
    grey_gain, grey_offset : float
        The machine's own grey scale: ``grey = gain x HU-like + offset``.
    twelve_bits : bool
        Cut to 4096 grey values from the machine's lowest one.
    cutoff : float
        Cut-off of the Hann window as a share of the detector's highest frequency.
    """

    voxel_mm: float = 0.4
    shape: tuple[int, int, int] = (120, 200, 200)
    centre_scene_mm: tuple[float, float, float] = (0.0, 28.0, -16.0)
    kvp: float = 90.0
    aluminium_mm: float = 2.5
    copper_mm: float = 0.1
    photons: float = 3.0e4
    views: int = 180
    short_scan: bool = False
    start_deg: float = 0.0
    source_axis_mm: float = 430.0
    source_detector_mm: float = 650.0
    detector_px: tuple[int, int] | None = None
    map_refinement: float = 1.0
    scatter: float = 0.9
    scatter_floor: float = 0.006
    scatter_corrected: float = 0.6
    electronic_noise: float = 6.0
    blur_px: float = 0.45
    motion: RigidTransform | None = None
    motion_at: float = 0.5
    bad_columns: tuple[tuple[float, float], ...] = ()
    grey_gain: float = 1.0
    grey_offset: float = 0.0
    twelve_bits: bool = True
    cutoff: float = 0.9


def coarse(**changes: object) -> Acquisition:
    """Give the small, quick settings for unit tests: 0.6 mm voxels, 120 views."""
    base: dict[str, object] = {"voxel_mm": 0.6, "shape": (72, 128, 128), "views": 120}
    return Acquisition(**(base | changes))  # type: ignore[arg-type]


@frozen(eq=False)
class Geometry:
    """Where source and detector stand in each view (circular path about the LPS vertical).

    Parameters
    ----------
    angles_rad : array of shape (views,)
    source_axis_mm, source_detector_mm : float
    rows, columns : int
        Detector pixels.
    pixel_mm : float
    centre_lps_mm : array of shape (3,)
        The axis of rotation passes through here.
    short_scan : bool
    """

    angles_rad: FloatArray = field(converter=readonly)
    source_axis_mm: float
    source_detector_mm: float
    rows: int
    columns: int
    pixel_mm: float
    centre_lps_mm: FloatArray = field(converter=readonly)
    short_scan: bool

    @property
    def fan_half_rad(self) -> float:
        """Half the fan angle."""
        return float(np.arctan(0.5 * self.columns * self.pixel_mm / self.source_detector_mm))


def geometry_of(acquisition: Acquisition, centre_lps_mm: FloatArray) -> Geometry:
    """Lay out the views of an acquisition about a centre.

    Raises
    ------
    PlannerError
        If the settings cannot make a scan.
    """
    a = acquisition
    if a.views < 10 or min(a.shape) < 4 or a.voxel_mm <= 0 or a.source_detector_mm <= a.source_axis_mm:
        raise PlannerError("These settings cannot make a scan.", "Give ten views or more and a real field of view.")
    magnification = a.source_detector_mm / a.source_axis_mm
    pixel = a.voxel_mm * magnification
    if a.detector_px is not None:
        rows, columns = a.detector_px
    else:
        # The box's diagonal must stay in the fan, its top and bottom in the cone on the near side.
        half = 0.5 * np.hypot(a.shape[1], a.shape[2]) * a.voxel_mm
        near = a.source_detector_mm / (a.source_axis_mm - half)
        columns = int(np.ceil(2 * half / np.sqrt(1 - (half / a.source_axis_mm) ** 2) * magnification / pixel)) + 4
        rows = int(np.ceil(a.shape[0] * a.voxel_mm * near / pixel)) + 4
    half_fan = np.arctan(0.5 * columns * pixel / a.source_detector_mm)
    arc = np.pi + 2 * half_fan + np.radians(SHORT_MARGIN_DEG) if a.short_scan else 2 * np.pi
    angles = np.radians(a.start_deg) + arc * (np.arange(a.views) + 0.5) / a.views
    return Geometry(
        angles, a.source_axis_mm, a.source_detector_mm, rows, columns, pixel, centre_lps_mm, a.short_scan
    )
