"""The likely path of the beam: source on a circle about the middle of the scan, projection and reconstruction.

What a scan file says about its geometry is never enough, so a usual one is assumed: a full turn about the long axis
of the patient through the middle of the volume. Within a slice every full turn measures the same lines; what is
assumed only decides how lines tilt out of the slice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from planner_core.geometry.frames import FloatArray, readonly
from planner_core.progress import Progress, part_of, silent

SOURCE_AXIS_MM = 430.0
"""Distance from the source to the axis of rotation; dental machines have 350 to 500 mm (M); 100 mm more or less
turn a line by a degree at most."""

THREADS = 2
"""Threads of our own pool; the kernels hold no GIL."""

VIEWS_AT_ONCE = 30
"""Views that are held filtered at the same time (our choice)."""

Image = NDArray[np.float32]


@njit(nogil=True, cache=True, fastmath=True)
def _project(cells, cosines, sines, first, last, distance, across, up, out):  # type: ignore[no-untyped-def]
    """Add line integrals (in cells) of ``cells`` [y, x, z] for views `first` to `last` (Joseph 1982; M)."""
    ny, nx, nz = cells.shape
    cx, cy, cz = 0.5 * (nx - 1), 0.5 * (ny - 1), 0.5 * (nz - 1)
    zero, one = np.float32(0.0), np.float32(1.0)
    line = np.empty(nz, np.float32)
    for view in range(first, last):
        c, s = cosines[view], sines[view]
        sx, sy = distance * c, distance * s
        for iu in range(across.shape[0]):
            dx, dy = -across[iu] * s - sx, across[iu] * c - sy
            along_x = abs(dx) > abs(dy)
            if along_x:
                n, m, cn, cm, sn, sm, dn, dm = nx, ny, cx, cy, sx, sy, dx, dy
            else:
                n, m, cn, cm, sn, sm, dn, dm = ny, nx, cy, cx, sy, sx, dy, dx
            ray = out[view, iu]
            for k in range(n):
                t = (k - cn - sn) / dn
                w = sm + t * dm + cm
                j = math.floor(w)
                if j < 0 or j >= m - 1:
                    continue
                a = np.float32(w - j)
                if along_x:
                    near, far = cells[j, k], cells[j + 1, k]
                else:
                    near, far = cells[k, j], cells[k, j + 1]
                some = False
                for q in range(nz):
                    line[q] = near[q] + a * (far[q] - near[q])
                    some = some or line[q] != zero
                if not some:
                    continue
                # Height on the virtual detector grows linearly with height at this depth.
                start, step = up[0] * t + cz, (up[1] - up[0]) * t
                low = max(0, math.ceil(-start / step))
                high = min(up.shape[0], math.ceil((nz - 1 - start) / step))
                for iv in range(low, high):
                    z = start + iv * step
                    # A ray that meets the last slice exactly may be rounded to it: nothing is read behind it.
                    q = min(int(z), nz - 2)
                    b = np.float32(z - q)
                    ray[iv] += (one - b) * line[q] + b * line[q + 1]
            planar = dx * dx + dy * dy
            for iv in range(up.shape[0]):
                ray[iv] *= np.float32(math.sqrt(planar + up[iv] * up[iv]) / abs(dn))


@njit(nogil=True, cache=True, fastmath=True)
def _back_project(filtered, cosines, sines, distance, u0, v0, first, last, out):  # type: ignore[no-untyped-def]
    """Add ``filtered`` [view, stack, column, row] to rows `first` to `last` of ``out`` [y, x, stack, z]."""
    views, stacks, columns, rows = filtered.shape
    ny, nx, _, nz = out.shape
    cx, cy, cz = 0.5 * (nx - 1), 0.5 * (ny - 1), 0.5 * (nz - 1)
    one = np.float32(1.0)
    for i in range(first, last):
        y = i - cy
        for j in range(nx):
            x = j - cx
            for view in range(views):
                c, s = cosines[view], sines[view]
                grow = distance / (distance - (x * c + y * s))
                u = (y * c - x * s) * grow - u0
                k = math.floor(u)
                if k < 0 or k >= columns - 1:
                    continue
                a, weight = np.float32(u - k), np.float32(grow * grow)
                w0, w1 = (one - a) * weight, a * weight
                start = -cz * grow - v0
                low = max(0, math.ceil(-start / grow))
                high = min(nz, math.ceil((rows - 1 - start) / grow))
                for n in range(stacks):
                    left, right, target = filtered[view, n, k], filtered[view, n, k + 1], out[i, j, n]
                    for q in range(low, high):
                        v = start + q * grow
                        r = min(int(v), rows - 2)
                        b = np.float32(v - r)
                        lower = w0 * left[r] + w1 * right[r]
                        target[q] += lower + b * (w0 * left[r + 1] + w1 * right[r + 1] - lower)


def in_slabs(work: Callable[[int, int], None], count: int, parts: int = 12) -> None:
    """Run ``work(first, last)`` over `count` items in slabs on our own threads; errors come through."""
    edges = np.linspace(0, count, min(parts, max(count, 1)) + 1).astype(int)
    with ThreadPoolExecutor(THREADS) as pool:
        waiting = [pool.submit(work, int(a), int(b)) for a, b in itertools.pairwise(edges) if b > a]
        try:
            for future in waiting:
                future.result()
        finally:
            for future in waiting:
                future.cancel()


@frozen(eq=False)
class BeamPath:
    """A full circular path about a grid of cubic cells; lengths are counted in cells.

    Parameters
    ----------
    shape : tuple of int
        Cells along (long axis, row, column); the axis of rotation passes through the middle.
    cell_mm : float
    distance : float
        From source to axis, in cells.
    angles_rad : array of shape (views,)
    across, up : arrays
        Places of columns and rows of a detector thought at the axis.
    """

    shape: tuple[int, int, int]
    cell_mm: float
    distance: float
    angles_rad: FloatArray = field(converter=readonly)
    across: FloatArray = field(converter=readonly)
    up: FloatArray = field(converter=readonly)

    @property
    def detector(self) -> tuple[int, int, int]:
        """Shape of a stack of projections: views, columns, rows."""
        return len(self.angles_rad), len(self.across), len(self.up)

    def project(self, cells: Image, progress: Progress = silent) -> Image:
        """Give line integrals (value x mm) of cells of `shape`, as (views, columns, rows)."""
        turned = np.ascontiguousarray(cells.transpose(1, 2, 0), dtype=np.float32)
        out = np.zeros(self.detector, np.float32)
        cosines, sines = np.cos(self.angles_rad), np.sin(self.angles_rad)
        views = len(cosines)

        def work(first: int, last: int) -> None:
            _project(turned, cosines, sines, first, last, self.distance, self.across, self.up, out)
            progress(last / views)

        in_slabs(work, views)
        out *= np.float32(self.cell_mm)
        return out

    def reconstruct(self, stacks: Sequence[Image], progress: Progress = silent) -> list[Image]:
        """Reconstruct line integrals (value x mm) after Feldkamp, Davis and Kress 1984 (J Opt Soc Am A 1:612)."""
        views, columns, _ = self.detector
        response, size = _ramp(columns)
        length = np.sqrt(self.distance**2 + self.across[:, None] ** 2 + self.up[None, :] ** 2)
        # Half, since a full turn measures every line twice.
        weight = (0.5 * 2 * np.pi / views / self.cell_mm * self.distance / length).astype(np.float32)

        def filtered(view: Image) -> Image:
            row = rfft(view * weight, size, axis=0) * response[:, None]
            return np.asarray(irfft(row, size, axis=0)[:columns], dtype=np.float32)

        return self._back(stacks, filtered, progress)

    def smear(self, stacks: Sequence[Image], progress: Progress = silent) -> list[Image]:
        """Give per cell the mean over its lines of values on the detector: nothing is sharpened."""
        share = np.float32(1.0 / len(self.angles_rad))
        return self._back(stacks, lambda view: view * share, progress)

    def _back(self, stacks: Sequence[Image], made: Callable[[Image], Image], progress: Progress) -> list[Image]:
        """Spread what is made of each view over the cells, some views at a time to spare memory."""
        slices, ny, nx = self.shape
        views, columns, rows = self.detector
        out = np.zeros((ny, nx, len(stacks), slices), np.float32)
        for start in range(0, views, VIEWS_AT_ONCE):
            count = min(VIEWS_AT_ONCE, views - start)
            packed = np.empty((count, len(stacks), columns, rows), np.float32)
            angles = self.angles_rad[start : start + count]
            cosines, sines = np.cos(angles), np.sin(angles)
            step = part_of(progress, start / views, (start + count) / views)

            def make(first: int, last: int) -> None:
                for view in range(first, last):
                    for n, stack in enumerate(stacks):
                        packed[view, n] = made(stack[start + view])  # noqa: B023 - done within this turn
                step(0.3 * last / count)  # noqa: B023

            def spread(first: int, last: int) -> None:
                _back_project(packed, cosines, sines, self.distance, self.across[0], self.up[0], first, last, out)  # noqa: B023
                step(0.3 + 0.7 * last / ny)  # noqa: B023

            in_slabs(make, count)
            in_slabs(spread, ny)
        return [np.ascontiguousarray(out[:, :, n].transpose(2, 0, 1)) for n in range(len(stacks))]


def _ramp(columns: int) -> tuple[Image, int]:
    """Give the ramp under a Hann window and the length of its transform (Kak and Slaney 1988, eq. 3.61; M)."""
    size = 1 << int(np.ceil(np.log2(2 * columns)))
    n = np.fft.fftfreq(size, 1.0 / size)
    kernel = np.zeros(size)
    kernel[0] = 0.25
    odd = np.abs(n) % 2 == 1
    kernel[odd] = -1.0 / (np.pi * n[odd]) ** 2
    response = rfft(kernel).real
    frequency = np.arange(len(response)) / (len(response) - 1)
    return (response * (0.5 + 0.5 * np.cos(np.pi * frequency))).astype(np.float32), size


def beam_path(
    shape: tuple[int, int, int], cell_mm: float, views: int, source_axis_mm: float = SOURCE_AXIS_MM
) -> BeamPath:
    """Lay the path about a grid so that the detector sees all of it."""
    slices, rows, columns = shape
    reach = 0.5 * math.hypot(rows, columns)
    distance = max(source_axis_mm / cell_mm, 1.5 * reach)
    half = math.ceil(reach / math.sqrt(1.0 - (reach / distance) ** 2) + 1.0)
    high = math.ceil(0.5 * slices * distance / (distance - reach) + 1.0)
    angles = 2.0 * np.pi * (np.arange(views) + 0.5) / views
    return BeamPath(shape, cell_mm, distance, angles, np.arange(-half, half + 1.0), np.arange(-high, high + 1.0))
