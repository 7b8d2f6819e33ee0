"""The scan check as bytes that a case keeps, so that opening it again does not take the work again.

A kept check belongs to one scan and to one form of the estimate: `kept_key` names both, the second by the files
that the estimate consists of, so that no one has to remember to count a version up.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from functools import cache
from importlib import resources
from io import BytesIO
from typing import Any

import numpy as np
from attrs import asdict
from numpy.typing import NDArray

from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scan_check import ScanCheck
from planner_core.progress import Progress, silent

PARTS_OF_THE_ESTIMATE = ("bodies", "faults", "grey_", "retention", "scan_check", "scatter_")
"""How the names of the files begin that decide what a scan check says."""

_MAPS = ("level_map", "added_map")


def kept_key(volume: Volume, progress: Progress = silent) -> str:
    """Give the name of the check of this scan by this form of the estimate; reads the whole scan."""
    return hashlib.sha256(f"{volume.hash_content(progress)} {_form_of_the_estimate()}".encode()).hexdigest()


@cache
def _form_of_the_estimate() -> str:
    digest = hashlib.sha256()
    package = resources.files("planner_core.imaging")
    for folder in (package, package / "data"):
        for file in sorted(folder.iterdir(), key=lambda entry: entry.name):
            if file.is_file() and file.name.startswith(PARTS_OF_THE_ESTIMATE):
                digest.update(file.name.encode())
                digest.update(file.read_bytes())
    return digest.hexdigest()


def kept_form(check: ScanCheck) -> bytes:
    """Give a check as bytes: arrays without any pickled object, the rest as JSON among them."""
    words: dict[str, Any] = {
        "restorations": [
            {**asdict(body), "centre_lps_mm": list(body.centre_lps_mm), "extent_mm": list(body.extent_mm)}
            for body in check.restorations
        ],
        "degraded_slices": check.degraded_slices,
        "grey": asdict(check.grey),
        "findings": [asdict(finding) for finding in check.findings],
        "scan_shape": check.scan_shape,
        "scales": {name: _map_of(check, name).scale for name in _MAPS if getattr(check, name) is not None},
    }
    arrays: dict[str, NDArray[Any]] = {
        "words": np.frombuffer(json.dumps(words).encode(), np.uint8),
        "slice_scores": check.slice_scores,
        "scan_lps_from_index": check.scan_lps_from_index,
    }
    for name in words["scales"]:
        arrays[name] = _map_of(check, name).stored
        arrays[f"{name}_lps_from_index"] = _map_of(check, name).lps_from_index
    out = BytesIO()
    np.savez_compressed(out, allow_pickle=False, **arrays)
    return out.getvalue()


def _map_of(check: ScanCheck, name: str) -> Volume:
    found = getattr(check, name)
    assert isinstance(found, Volume)
    return found


def from_kept_form(data: bytes) -> ScanCheck | None:
    """Give the check that was kept, or None where the bytes are none: it is then made anew."""
    try:
        with np.load(BytesIO(data), allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
        words = json.loads(arrays["words"].tobytes())
        maps = {
            name: Volume(arrays[name], arrays[f"{name}_lps_from_index"], scale=scale)
            for name, scale in words["scales"].items()
        }
        return ScanCheck(
            restorations=tuple(Restoration(**body) for body in words["restorations"]),
            slice_scores=arrays["slice_scores"],
            degraded_slices=tuple((first, last) for first, last in words["degraded_slices"]),
            level_map=maps.get("level_map"),
            grey=GreyLevels(**words["grey"]),
            scan_shape=tuple(words["scan_shape"]),
            scan_lps_from_index=arrays["scan_lps_from_index"],
            findings=tuple(Finding(**(row | {"severity": Severity(row["severity"])})) for row in words["findings"]),
            added_map=maps.get("added_map"),
        )
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile, zlib.error):
        return None
