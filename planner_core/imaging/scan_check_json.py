"""The scan check as plain data for the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck


def scan_check_json(
    check: ScanCheck, volume: Volume, sites_lps_mm: Mapping[str, ArrayLike] | None = None
) -> dict[str, Any]:
    """Give the scan check as JSON-ready data.

    Parameters
    ----------
    check : ScanCheck
    volume : Volume
    sites_lps_mm : mapping of site to array (3,), optional
        Places to judge.

    Returns
    -------
    dict
        ``slice_scores`` (one per slice along the volume's first axis, which is the third of a NIfTI file, 0..1),
        ``degraded_slices`` (list of [first, last], from 0), ``restorations``, ``findings``, ``sites``.
    """
    return {
        "trusted": not check.degraded_slices,
        "slices": volume.shape[0],
        "slice_scores": [round(float(score), 4) for score in check.slice_scores],
        "degraded_slices": [[first, last] for first, last in check.degraded_slices],
        "restorations": [
            {
                "centre_lps_mm": _rounded(body.centre_lps_mm),
                "volume_mm3": round(body.volume_mm3, 2),
                "extent_mm": _rounded(body.extent_mm),
                "saturated": body.saturated,
                "kind": body.kind,
                "kind_confidence": round(body.kind_confidence, 3),
            }
            for body in check.restorations
        ],
        "findings": [
            {"severity": f.severity.value, "code": f.code, "text": f.text, "where": f.where} for f in check.findings
        ],
        "sites": {site: _site(check, point) for site, point in (sites_lps_mm or {}).items()},
    }


def _site(check: ScanCheck, point: ArrayLike) -> dict[str, Any]:
    verdict = check.readable_at(point)
    return {
        "readable": verdict.readable,
        "level": round(verdict.level, 4),
        "why": verdict.why,
        "point_lps_mm": _rounded(np.asarray(point, float)),
    }


def _rounded(values: ArrayLike) -> list[float]:
    return [round(float(v), 3) for v in np.asarray(values, float)]
