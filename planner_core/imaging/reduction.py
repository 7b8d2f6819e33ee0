"""The reduced view: the scan without most of what its restorations added. For looking, never for measuring.

What was added is worked out in `planner_core.imaging.scatter_physics` (bodies re-projected, their trace filled in
from a normalised prior, the difference reconstructed) and read by `planner_core.imaging.scatter_network` together
with the scan; only that change is taken off, at full resolution: what the bodies did not touch stays as it was.
"""

from __future__ import annotations

from attrs import frozen

from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck
from planner_core.imaging.scatter_less import less_added
from planner_core.progress import Progress, silent

LABEL = "ALTERED: streaks reduced by computation. Not for measuring or matching."
"""Stands on every picture made from a reduced view."""


@frozen(eq=False)
class ReducedView:
    """An altered copy of a scan.

    Parameters
    ----------
    volume : Volume
        On the grid of the scan.
    label : str
        Words that every picture of it carries.
    """

    volume: Volume
    label: str = LABEL


def reduced_view(volume: Volume, check: ScanCheck, progress: Progress = silent) -> ReducedView:
    """Take off what the restorations added; bodies themselves stay.

    Parameters
    ----------
    volume : Volume
        The scan that `check` was made of.
    check : ScanCheck
    progress : Progress

    Raises
    ------
    Cancelled
        From `progress`.
    """
    if check.added_map is None:
        return ReducedView(volume)
    added = check.added_map.grey(check.added_map.stored)
    return ReducedView(less_added(volume, check.grey, added, check.added_map.index_from_lps, progress))
