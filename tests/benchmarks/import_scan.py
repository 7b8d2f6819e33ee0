"""Import of 400 DICOM files of 512 x 512 against SimpleITK's series reader, in time and memory.

Each reading runs in a process of its own, three times in turn; the best time counts, and the peak of memory above
what was there before reading, with that of the decoding processes. The files are warm in the cache for both.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from pydicom.uid import ExplicitVRLittleEndian, JPEGLSLossless

from tests.core.imaging.made_series import write_series

SLICES, SIDE = 400, 512
TURNS = 3

OURS = """
from planner_core.imaging.open_scan import open_scan
import planner_core.imaging.dicom_import, pydicom.pixels, scipy.ndimage
def read(folder):
    return open_scan(folder).volume.stored
"""
PEER = """
import SimpleITK
def read(folder):
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
    return SimpleITK.GetArrayViewFromImage(reader.Execute())
"""
MEASURE = """
import json, sys, time
from pathlib import Path
def field(process, file, name):
    return int(Path(f"/proc/{process}/{file}").read_text().split(f"{name}:")[1].split()[0]) * 1024
def peak():
    # Not getrusage: its peak is handed down by the process that starts this one. Decoding processes hold the same
    # from their first picture to their last; what they share is counted once.
    tasks = Path("/proc/self/task").iterdir()
    children = [name for task in tasks for name in (task / "children").read_text().split()]
    return field("self", "status", "VmHWM") + sum(field(child, "smaps_rollup", "Pss") for child in children)
before = peak()
start = time.perf_counter()
shape = read(Path(sys.argv[1])).shape
print(json.dumps({"seconds": time.perf_counter() - start, "bytes": peak() - before, "shape": shape}))
"""


def head_like(slices: int = SLICES, side: int = SIDE) -> np.ndarray:
    """Give a round head with a bone ring and noise, as 12-bit numbers, shape (slices, side, side)."""
    rng = np.random.default_rng(7)
    rows, columns = np.mgrid[:side, :side] - side / 2
    radius = np.hypot(rows, columns) * 512 / side
    plane = 1000.0 * (radius < 220) + 1300.0 * (np.abs(radius - 130) < 14)
    noise = rng.normal(0.0, 40.0, (side, side))
    turned = (plane + np.roll(noise, 7 * k, axis=k % 2) for k in range(slices))
    return np.stack([np.clip(np.rint(one), 0, 4095).astype(np.int16) for one in turned])


def _measure(code: str, folder: Path) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-c", code + MEASURE, str(folder)], capture_output=True, text=True, check=True, timeout=600
    )
    measured: dict[str, Any] = json.loads(done.stdout)
    if tuple(measured["shape"]) != (SLICES, SIDE, SIDE):
        raise RuntimeError(f"read a volume of shape {measured['shape']}")
    return measured


def rows() -> list[dict[str, Any]]:
    """Give the rows of the table: seconds for plain and compressed files, and memory."""
    values = head_like()
    found: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory(prefix="import_scan_") as place:
        for name, syntax in (("uncompressed", ExplicitVRLittleEndian), ("JPEG-LS", JPEGLSLossless)):
            folder = write_series(
                Path(place) / name,
                values,
                signed=False,
                bits=12,
                syntax=syntax,
                step_mm=0.3,
                PixelSpacing=[0.3, 0.3],
            )
            turns = [(_measure(OURS, folder), _measure(PEER, folder)) for _ in range(TURNS)]
            ours, peer = (min(turn[k]["seconds"] for turn in turns) for k in (0, 1))
            found.append(
                {
                    "work": f"import of {SLICES} files of {SIDE} x {SIDE}, {name} (SimpleITK)",
                    "ours": ours,
                    "peer": peer,
                    "ratio": ours / peer,
                    "bar": "<= 1, target 0.5",
                    "unit": "s",
                }
            )
            bytes_ = max(turn[0]["bytes"] for turn in turns), max(turn[1]["bytes"] for turn in turns)
            found.append(
                {
                    "work": f"peak memory of that import, {name}, over the volume's size",
                    "ours": bytes_[0] / values.nbytes,
                    "peer": bytes_[1] / values.nbytes,
                    "ratio": bytes_[0] / bytes_[1],
                    "bar": "<= 1.5",
                    "unit": "x",
                }
            )
    return found
