"""What the user gave for a match besides pairs of points: markers, painted regions, the scan of a prosthesis."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource

PATIENT_FRAME = "lps"
"""Under this name the markers of the patient's scan are kept; others under the frame of their surface."""

SECOND_FRAME = "prosthesis"
"""Frame of a prosthesis scanned alone, and of the surface taken from that scan."""


@frozen(eq=False)
class KeptMarker:
    """A marker of one scan as the user left it.

    Parameters
    ----------
    name : str
    centre_mm : array of shape (3,)
        In its own scan's frame, mm.
    radius_mm : float
    covariance_mm2 : array of shape (3, 3)
        Of the centre.
    coverage, shape, quality
        As `planner_core.registration.markers.Marker`.
    clicked : bool
        Set by hand; else found by the program.
    crossed_out : bool
        The user says that it is none.
    """

    name: str
    centre_mm: FloatArray = field(converter=readonly)
    radius_mm: float
    covariance_mm2: FloatArray = field(converter=readonly)
    coverage: float = 1.0
    shape: str = "ball"
    quality: float = 1.0
    clicked: bool = False
    crossed_out: bool = False

    @property
    def localisation_mm(self) -> float:
        """Root mean square 3-D error of the centre, mm."""
        return float(np.sqrt(np.trace(self.covariance_mm2)))


def in_use(markers: Sequence[KeptMarker]) -> tuple[KeptMarker, ...]:
    """Give the markers that are not crossed out."""
    return tuple(marker for marker in markers if not marker.crossed_out)


def _states(values: AnyArray) -> NDArray[np.int8]:
    array = np.array(values, dtype=np.int8)
    array.flags.writeable = False
    return array


@frozen(eq=False)
class PaintedRegion:
    """What the user painted on a surface scan for its match.

    Parameters
    ----------
    states : int8 array of shape (surface points,)
        +1 painted in, -1 painted out, 0 not painted.
    """

    states: NDArray[np.int8] = field(converter=_states)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Which points may carry the match: those painted in if there are any, never those painted out."""
        if bool((self.states > 0).any()):
            return np.asarray(self.states > 0)
        return np.asarray(self.states >= 0)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is painted."""
        return not bool(self.states.any())


@frozen(eq=False)
class KnownBall:
    """A ball of known size scanned with the prosthesis; calibrates the grey value of its surface.

    Parameters
    ----------
    centre_mm : array of shape (3,)
        Anywhere inside it, in the frame of that scan.
    diameter_mm : float
    """

    centre_mm: FloatArray = field(converter=readonly)
    diameter_mm: float

    @property
    def volume_mm3(self) -> float:
        """Its true volume."""
        return float(np.pi * self.diameter_mm**3 / 6.0)


@frozen(eq=False)
class SecondScan:
    """A prosthesis, or the plastic duplicate of a bridge, scanned alone.

    Parameters
    ----------
    volume : Volume
        Its points are called `SECOND_FRAME` here, not LPS of the patient.
    source : ScanSource
    surface_id : str
        The surface that was taken from it.
    iso_grey : float
        Grey value at which it was taken.
    ball : KnownBall or None
    """

    volume: Volume
    source: ScanSource
    surface_id: str
    iso_grey: float
    ball: KnownBall | None = None
