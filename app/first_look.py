"""Where the eye falls at first: contrast and place."""

from __future__ import annotations

import weakref

from app.workspace import Workspace
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey

BLACK_SHARE, WHITE_SHARE = -0.45, 1.6
"""Black and white at first, as shares of the step from soft tissue to bone (our choice)."""


_ranges: dict[int, tuple[weakref.ref[Volume], tuple[float, float]]] = {}


def grey_range(volume: Volume) -> tuple[float, float]:
    """Give the grey values shown as black and white at first; remembered, so that a job can find them ahead."""
    known = _ranges.get(id(volume))
    if known is not None and known[0]() is volume:
        return known[1]
    levels = calibrate_grey(volume)
    step = max(levels.bone - levels.soft_tissue, 10.0)
    found = (float(levels.soft_tissue + BLACK_SHARE * step), float(levels.soft_tissue + WHITE_SHARE * step))
    _ranges[id(volume)] = (weakref.ref(volume), found)
    return found


def start_view(workspace: Workspace) -> None:
    """Look at the middle of the scan with a contrast that shows bone and soft tissue."""
    plan = workspace.plan
    if plan.scan is None:
        return
    volume = plan.scan.volume
    black, white = grey_range(volume)
    workspace.view.set_contrast(white - black, (black + white) / 2.0)
    if plan.arch is not None:
        workspace.view.go_to(plan.arch.point_at(0.0), 0.0)
    else:
        workspace.view.go_to(volume.centre_lps_mm, 0.0)
