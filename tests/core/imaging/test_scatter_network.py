"""The network that runs here without a framework does what its layers say, whatever slab it is cut into."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import correlate, zoom

from planner_core.imaging.scatter_chance import Answer
from planner_core.imaging.scatter_inputs import CHANNELS
from planner_core.imaging.scatter_network import (
    LEAST_PLANES,
    Layer,
    Network,
    Planes,
    answers_of,
    convolved,
    network,
)


def _layer(rng: np.random.Generator, outs: int, ins: int, planes: int = 1) -> Layer:
    weights = rng.normal(0, 0.2, (outs, ins, planes, 3, 3)).astype(np.float32)
    return Layer(weights, rng.normal(0, 0.1, outs).astype(np.float32))


def _by_scipy(x: NDArray[np.float32], layer: Layer) -> NDArray[np.float64]:
    """Convolve [plane, channel, row, column] by SciPy's correlation; the ends go on, the sides are zero outside."""
    source = np.pad(x.astype(np.float64), ((1, 1), (0, 0), (0, 0), (0, 0)), mode="edge")
    out = [
        sum(correlate(source[:, i], layer.weights[o, i], mode="constant")[1:-1] for i in range(source.shape[1]))
        + layer.bias[o]
        for o in range(len(layer.bias))
    ]
    return np.maximum(np.stack(out, axis=1), 0.0)


@pytest.mark.parametrize("planes", [1, 3])
def test_a_convolution_is_that_of_scipy(planes: int):
    rng = np.random.default_rng(3)
    x = rng.normal(size=(6, 3, 9, 12)).astype(np.float32)
    layer = _layer(rng, 8, 3, planes)
    padded = np.pad(x, ((0, 0), (0, 0), (1, 1), (1, 1)))
    got = convolved(Planes(padded, 0), layer, 1, 6, 6)
    assert got.values[:, :, 1:-1, 1:-1] == pytest.approx(_by_scipy(x, layer)[1:6], abs=1e-4)
    assert np.count_nonzero(got.values[:, :, 0]) == 0


def _small(rng: np.random.Generator) -> Network:
    a, b, c, d = 4, 4, 8, 8
    shapes = {"e0a": (a, 2, 3), "e0b": (a, a, 3), "e1a": (b, a, 3), "e1b": (b, b, 1), "e2a": (c, b, 3)}
    shapes |= {"e2b": (c, c, 1), "e3a": (d, c, 1), "e3b": (d, d, 1), "e4a": (d, d, 1), "e4b": (d, d, 1)}
    shapes |= {"d3": (d, d, 1), "d2": (c, c, 1), "d1": (b, b, 1), "d0": (a, a, 3)}
    layers = {name: _layer(rng, *shape) for name, shape in shapes.items()}
    for name, (outs, ins) in {"u3": (d, d), "u2": (c, d), "u1": (b, c), "u0": (a, b), "head": (3, a)}.items():
        weights = rng.normal(0, 0.3, (outs, ins)).astype(np.float32)
        layers[name] = Layer(weights, rng.normal(0, 0.1, outs).astype(np.float32))
    return Network(layers)


def _whole_by_scipy(x: NDArray[np.float32], fitted: Network) -> NDArray[np.float64]:
    def halve(y: NDArray[np.float64]) -> NDArray[np.float64]:
        n, c, h, w = y.shape
        return y.reshape(n, c, h // 2, 2, w // 2, 2).max(axis=(3, 5))

    def mix(y: NDArray[np.float64], name: str) -> NDArray[np.float64]:
        layer = fitted.layers[name]
        mixed = np.einsum("oi,pirc->porc", layer.weights, y) + layer.bias[None, :, None, None]
        return mixed if name == "head" else zoom(mixed, (1, 1, 2, 2), order=0, grid_mode=True, mode="nearest")

    down, y = [], x.astype(np.float64)
    for level in range(5):
        y = y if level == 0 else halve(y)
        y = _by_scipy(_by_scipy(y, fitted.layers[f"e{level}a"]), fitted.layers[f"e{level}b"])
        down.append(y)
    for level in (3, 2, 1, 0):
        y = _by_scipy(down[level] + mix(y, f"u{level}"), fitted.layers[f"d{level}"])
    return mix(y, "head").transpose(1, 0, 2, 3)


def test_slabs_give_what_the_whole_gives():
    """Thirty-six planes are nine slabs; planes around each are worked out again. The mirror image counts too."""
    rng = np.random.default_rng(5)
    fitted = _small(rng)
    x = rng.normal(size=(36, 2, 16, 32)).astype(np.float16)
    got = answers_of([np.ascontiguousarray(x[:, n]) for n in range(2)], fitted)
    mirrored = _whole_by_scipy(x[..., ::-1].astype(np.float32), fitted)[..., ::-1]
    want = 0.5 * (_whole_by_scipy(x.astype(np.float32), fitted) + mirrored)
    assert got == pytest.approx(want, abs=0.02 * float(np.abs(want).max()))


def test_a_scan_that_goes_on_as_it_ends_has_no_end_effect():
    """Equal planes get equal answers, the outermost too: nothing is read into the end of a scan."""
    rng = np.random.default_rng(8)
    plane = rng.normal(size=(2, 16, 32)).astype(np.float16)
    got = answers_of([np.repeat(plane[n][None], LEAST_PLANES + 4, axis=0) for n in range(2)], _small(rng))
    assert np.ptp(got.astype(np.float32), axis=1).max() < 1e-2


def test_planes_that_are_no_whole_squares_and_thin_scans_keep_their_shape():
    rng = np.random.default_rng(6)
    thin = [rng.normal(size=(3, 21, 18)).astype(np.float16) for _ in range(2)]
    assert LEAST_PLANES > 3
    assert answers_of(thin, _small(rng)).shape == (3, 3, 21, 18)


def test_the_fitted_network_fits_its_inputs_and_answers():
    fitted = network()
    assert fitted.layers["e0a"].weights.shape[1] == len(CHANNELS)
    assert len(fitted.layers["head"].bias) == len(Answer)
    assert all(np.isfinite(layer.weights).all() for layer in fitted.layers.values())
