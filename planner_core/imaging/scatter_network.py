"""A small convolutional network that reads the scan with what physics says of it, run without any framework.

Five resolutions within the slice, one along the patient (the common form of Ronneberger, Fischer and Brox 2015; M).
It was fitted by ``tests/studies/scatter_fit.py`` on simulated mouths of seeds that no study reports on; the numbers
lie in ``data/scatter_network.npz``. It is evaluated slab by slab, so that its memory does not grow with the scan,
and twice, the second time on the mirrored scan: streaks prefer no side of a mouth, so the mean of both is better
(on ten simulated mouths the average precision rose from .923 to .929).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, partial
from importlib import resources

import numpy as np
from attrs import frozen
from numba import njit
from numpy.typing import NDArray

from planner_core.imaging.scatter_path import in_slabs
from planner_core.progress import Progress, silent

Array = NDArray[np.float32]

SLAB = 4
"""Planes worked out at once (our choice: more would be a little faster and take more than four times the scan)."""

BLOCK = 4
"""Output channels of a convolution that share one pass over its input."""

LEAST_PLANES = 24
"""Thinner scans are continued by their outermost planes up to this many: the network was fitted on whole jaws (our
choice)."""

LEVELS = 5
"""Resolutions; a plane is cut into squares of two to the power of one less."""


@njit(nogil=True, cache=True, fastmath=True)
def _convolve(x, first_x, depth, w, bias, first, last, first_out, out):  # type: ignore[no-untyped-def]
    """Write planes `first` to `last` of a convolution and what is above zero of it.

    ``x`` [plane, channel, row, column] has an edge of zeros; its first plane is `first_x` of the scan, which has
    `depth` planes and is continued by its outermost ones: zeros would be planes of plain tissue, which no jaw ends
    in. ``w`` is [channel out, channel in, 1 or 3, 3, 3]. ``out`` starts at plane `first_out`.
    """
    outs, ins, high = w.shape[0], w.shape[1], w.shape[2]
    rows, columns = x.shape[2] - 2, x.shape[3] - 2
    zero = np.float32(0.0)
    a0, a1 = np.empty(columns, np.float32), np.empty(columns, np.float32)
    a2, a3 = np.empty(columns, np.float32), np.empty(columns, np.float32)
    for plane in range(first, last):
        for o in range(0, outs, 4):
            for row in range(rows):
                a0[:] = bias[o]
                a1[:] = bias[o + 1]
                a2[:] = bias[o + 2]
                a3[:] = bias[o + 3]
                for dz in range(high):
                    z = min(max(plane + dz - high // 2, 0), depth - 1)
                    for i in range(ins):
                        for dy in range(3):
                            line = x[z - first_x, i, row + dy]
                            p0, p1, p2 = w[o, i, dz, dy, 0], w[o, i, dz, dy, 1], w[o, i, dz, dy, 2]
                            q0, q1, q2 = w[o + 1, i, dz, dy, 0], w[o + 1, i, dz, dy, 1], w[o + 1, i, dz, dy, 2]
                            r0, r1, r2 = w[o + 2, i, dz, dy, 0], w[o + 2, i, dz, dy, 1], w[o + 2, i, dz, dy, 2]
                            s0, s1, s2 = w[o + 3, i, dz, dy, 0], w[o + 3, i, dz, dy, 1], w[o + 3, i, dz, dy, 2]
                            for k in range(columns):
                                left, middle, right = line[k], line[k + 1], line[k + 2]
                                a0[k] += p0 * left + p1 * middle + p2 * right
                                a1[k] += q0 * left + q1 * middle + q2 * right
                                a2[k] += r0 * left + r1 * middle + r2 * right
                                a3[k] += s0 * left + s1 * middle + s2 * right
                target = out[plane - first_out]
                for k in range(columns):
                    target[o, row + 1, k + 1] = max(a0[k], zero)
                    target[o + 1, row + 1, k + 1] = max(a1[k], zero)
                    target[o + 2, row + 1, k + 1] = max(a2[k], zero)
                    target[o + 3, row + 1, k + 1] = max(a3[k], zero)


@njit(nogil=True, cache=True)
def _halve(x, first, last, out):  # type: ignore[no-untyped-def]
    """Write the largest of each two by two cells of planes `first` to `last`; both with an edge of zeros."""
    for plane in range(first, last):
        for i in range(out.shape[1]):
            for row in range(out.shape[2] - 2):
                upper, lower = x[plane, i, 2 * row + 1], x[plane, i, 2 * row + 2]
                for k in range(out.shape[3] - 2):
                    a = max(upper[2 * k + 1], upper[2 * k + 2])
                    b = max(lower[2 * k + 1], lower[2 * k + 2])
                    out[plane, i, row + 1, k + 1] = max(a, b)


@njit(nogil=True, cache=True, fastmath=True)
def _mix(x, w, bias, double, first, last, out):  # type: ignore[no-untyped-def]
    """Add weighed channels of each cell to ``out``, to its two by two cells if `double`."""
    columns = x.shape[3] - 2
    line = np.empty(columns, np.float32)
    for plane in range(first, last):
        for o in range(w.shape[0]):
            for row in range(x.shape[2] - 2):
                line[:] = bias[o]
                for i in range(w.shape[1]):
                    source, factor = x[plane, i, row + 1], w[o, i]
                    for k in range(columns):
                        line[k] += factor * source[k + 1]
                if double:
                    upper, lower = out[plane, o, 2 * row + 1], out[plane, o, 2 * row + 2]
                    for k in range(columns):
                        upper[2 * k + 1] += line[k]
                        upper[2 * k + 2] += line[k]
                        lower[2 * k + 1] += line[k]
                        lower[2 * k + 2] += line[k]
                else:
                    target = out[plane, o, row + 1]
                    for k in range(columns):
                        target[k + 1] += line[k]


@frozen(eq=False)
class Layer:
    """One convolution: weights [out, in, planes, 3, 3] or, of single cells, [out, in]; and what is added."""

    weights: Array
    bias: Array


@frozen(eq=False)
class Planes:
    """Activations [plane, channel, row, column] with an edge of zeros; `first` is their place in the scan."""

    values: Array
    first: int

    @property
    def last(self) -> int:
        """One past the last plane."""
        return self.first + len(self.values)


def _blank(planes: int, channels: int, rows: int, columns: int) -> Array:
    return np.zeros((planes, channels, rows + 2, columns + 2), np.float32)


def convolved(x: Planes, layer: Layer, first: int, last: int, depth: int) -> Planes:
    """Convolve, for planes `first` to `last` of a scan of `depth` planes; what is below zero becomes zero."""
    rows, columns = x.values.shape[2] - 2, x.values.shape[3] - 2
    out = _blank(last - first, len(layer.bias), rows, columns)

    def work(a: int, b: int) -> None:
        _convolve(x.values, x.first, depth, layer.weights, layer.bias, first + a, first + b, first, out)

    in_slabs(work, last - first)
    return Planes(out, first)


def halved(x: Planes) -> Planes:
    """Keep the largest of each two by two cells of a plane."""
    planes, channels, rows, columns = x.values.shape
    out = _blank(planes, channels, (rows - 2) // 2, (columns - 2) // 2)
    in_slabs(lambda a, b: _halve(x.values, a, b, out), planes)
    return Planes(out, x.first)


def add_doubled(target: Planes, x: Planes, layer: Layer) -> Planes:
    """Add a coarser level, its channels mixed, to the same planes of a finer one."""
    start = target.first - x.first
    part = x.values[start : start + len(target.values)]
    in_slabs(lambda a, b: _mix(part, layer.weights, layer.bias, True, a, b, target.values), len(part))
    return target


def part_of_planes(x: Planes, first: int, last: int) -> Planes:
    """Give some of the planes."""
    return Planes(x.values[first - x.first : last - x.first], first)


@frozen(eq=False)
class Network:
    """The fitted layers by name; ``e`` on the way down, ``d`` and ``u`` on the way up, ``head`` at the end."""

    layers: dict[str, Layer]

    def planes(self, channels: Sequence[NDArray[np.float16]], first: int, last: int) -> Array:
        """Give what the network says of planes `first` to `last`: [answer, plane, row, column]."""
        depth, rows, columns = channels[0].shape
        conv = partial(self._conv, depth=depth)
        x0 = conv(
            "e0b", conv("e0a", self._taken(channels, first - 5, last + 5), first - 4, last + 4), first - 3, last + 3
        )
        x1 = conv("e1b", conv("e1a", halved(x0), first - 2, last + 2), first - 2, last + 2)
        x2 = conv("e2b", conv("e2a", halved(x1), first - 1, last + 1), first - 1, last + 1)
        x3 = conv("e3b", conv("e3a", halved(x2), first - 1, last + 1), first - 1, last + 1)
        x4 = conv("e4b", conv("e4a", halved(x3), first - 1, last + 1), first - 1, last + 1)
        y = conv("d3", add_doubled(x3, x4, self.layers["u3"]), first - 1, last + 1)
        y = conv("d2", add_doubled(x2, y, self.layers["u2"]), first - 1, last + 1)
        low, high = max(first - 1, 0), min(last + 1, depth)
        y = conv("d1", add_doubled(part_of_planes(x1, low, high), y, self.layers["u1"]), first - 1, last + 1)
        y = conv("d0", add_doubled(part_of_planes(x0, low, high), y, self.layers["u0"]), first, last)
        head = self.layers["head"]
        out = _blank(last - first, len(head.bias), y.values.shape[2] - 2, y.values.shape[3] - 2)
        in_slabs(lambda a, b: _mix(y.values, head.weights, head.bias, False, a, b, out), last - first)
        return np.ascontiguousarray(out[:, :, 1 : rows + 1, 1 : columns + 1].transpose(1, 0, 2, 3))

    def _conv(self, name: str, x: Planes, first: int, last: int, depth: int) -> Planes:
        return convolved(x, self.layers[name], max(first, 0), min(last, depth), depth)

    @staticmethod
    def _taken(channels: Sequence[NDArray[np.float16]], first: int, last: int) -> Planes:
        """Take planes of the channels, grown to whole squares of the coarsest level."""
        depth, rows, columns = channels[0].shape
        first, last, square = max(first, 0), min(last, depth), 1 << (LEVELS - 1)
        out = _blank(last - first, len(channels), -(-rows // square) * square, -(-columns // square) * square)
        for n, channel in enumerate(channels):
            out[:, n, 1 : rows + 1, 1 : columns + 1] = channel[first:last]
        return Planes(out, first)


@cache
def network() -> Network:
    """Read the fitted network."""
    source = resources.files("planner_core.imaging") / "data" / "scatter_network.npz"
    with resources.as_file(source) as path, np.load(path) as stored:
        names = sorted({key.rsplit("_", 1)[0] for key in stored.files})
        layers = {
            name: Layer(
                np.ascontiguousarray(stored[f"{name}_weights"], dtype=np.float32),
                np.ascontiguousarray(stored[f"{name}_bias"], dtype=np.float32),
            )
            for name in names
        }
    return Network(layers)


def answers_of(
    channels: Sequence[NDArray[np.float16]], fitted: Network, progress: Progress = silent
) -> NDArray[np.float16]:
    """Give what the network says of every cell, mean of scan and mirror image: [answer, plane, row, column].

    Parameters
    ----------
    channels : sequence of float16 arrays
        From `planner_core.imaging.scatter_inputs.inputs_of`.
    fitted : Network
    progress : Progress
    """
    depth, rows, columns = channels[0].shape
    short = max(LEAST_PLANES - depth, 0)
    if short:
        grown = [
            np.pad(channel, ((short // 2, short - short // 2), (0, 0), (0, 0)), mode="edge") for channel in channels
        ]
        return answers_of(grown, fitted, progress)[:, short // 2 : short // 2 + depth]
    out = np.empty((len(fitted.layers["head"].bias), depth, rows, columns), np.float16)
    mirrored = [channel[:, :, ::-1] for channel in channels]
    for first in range(0, depth, SLAB):
        last = min(first + SLAB, depth)
        # Kept in half precision meanwhile: the second pass must not find more memory taken than the first.
        out[:, first:last] = fitted.planes(channels, first, last)
        also = fitted.planes(mirrored, first, last)[..., ::-1]
        out[:, first:last] = np.float32(0.5) * (out[:, first:last] + also)
        progress(last / depth)
    return out
