"""What is asked while scans come in, and what may be answered; how it looks is in `app.window`."""

from __future__ import annotations

from pathlib import Path

from attrs import frozen

from planner_core.case.plan import SurfaceRole
from planner_core.findings import Finding
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.decimate import Decimated
from planner_core.imaging.dicom_import import SeriesListing
from planner_core.imaging.scan import ImportedSurface
from planner_core.imaging.surface_faults import FaultPlace, Patch

RIDES_ALONG = (SurfaceRole.WAX_UP, SurfaceRole.OPPOSING)
"""What is usually exported in the frame of the matched surface scan: a wax-up on its model, scans in occlusion."""


@frozen(eq=False)
class ScanQuestion:
    """Which of the series found is meant, and whether its identity is kept.

    Parameters
    ----------
    case_patient : str
        Whom the open case is of; empty where it does not say.
    exporting : bool
        The series is to be copied without identity, not imported.
    """

    source: Path
    listing: SeriesListing
    case_patient: str = ""
    exporting: bool = False


@frozen
class ScanAnswer:
    """The series, and how it is taken."""

    uid: str
    resample: bool = False
    keep_identity: bool = True


@frozen(eq=False)
class SurfaceQuestion:
    """A surface scan as it was read: its unit, its role and its size are asked for, its faults are shown.

    Parameters
    ----------
    read : ImportedSurface
        In mm, by the unit guessed.
    extent_mm : array of shape (3,)
    unit_is_open : bool
        The file says no unit.
    places, patches : tuples of the same length
        What is wrong, place by place.
    overview, at : Patch and array of shape (n, 2)
        The whole, and where the places are in its picture.
    smaller : Decimated or None
        A reduced form, where the scan is large.
    role : SurfaceRole
        What it was opened as.
    matched : str
        Name of the matched surface scan, whose frame this one may share; empty without one.
    """

    name: str
    read: ImportedSurface
    extent_mm: FloatArray
    unit_is_open: bool
    places: tuple[FaultPlace, ...]
    patches: tuple[Patch, ...]
    overview: Patch
    at: FloatArray
    smaller: Decimated | None = None
    role: SurfaceRole = SurfaceRole.TEETH
    matched: str = ""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the reading noticed."""
        return self.read.findings

    def usually_shares(self, role: SurfaceRole) -> bool:
        """Tell whether a scan of this role usually goes with the matched one."""
        return bool(self.matched) and role in RIDES_ALONG


@frozen
class SurfaceAnswer:
    """How a surface scan is taken."""

    unit: str
    role: SurfaceRole = SurfaceRole.TEETH
    reduce: bool = False
    shares_frame: bool = False
    """It was exported in the frame of the matched surface scan and goes with it."""
