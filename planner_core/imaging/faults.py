"""Faults of a scan that are not scatter: noise, movement, truncation, teeth in contact, clipped greys, rings."""

from __future__ import annotations

from planner_core.findings import Finding
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_estimate import Estimate
from planner_core.progress import Progress, silent


def find_faults(
    volume: Volume, grey: GreyLevels, estimate: Estimate, progress: Progress = silent
) -> tuple[Finding, ...]:
    """Give a finding for each fault seen."""
    return ()
