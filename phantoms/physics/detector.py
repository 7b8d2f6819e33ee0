"""From what is left of the beam to corrected line integrals: scatter, photon noise, starvation, clipping.

Scatter is not followed photon by photon. It is the blurred product of what is left and how much was lost,
``strength x blur(I x -ln I)`` (the form of Ohnesorge, Flohr and Klingenbeck-Regn 1999, Eur Radiol 9:563; M), plus
a constant floor; the machine takes off a share of its mean. So behind a body that lets nothing through, scatter is
all there is, which is what darkens the paths between two crowns.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, zoom

from phantoms.physics.acquisition import Acquisition, Geometry
from phantoms.physics.attenuation import substance_cm2_g
from phantoms.physics.spectrum import Spectrum
from phantoms.pool import in_slabs

SCATTER_BLUR_MM = 45.0
"""Spread of the scatter on the detector (standard deviation, M)."""
SCATTER_COARSE_MM = 8.0
"""Scatter is worked out on cells of about this size."""
SCATTER_AIR_GAP = 0.22
"""Share of the scattered signal that crosses the air gap, set so that soft tissue of 15 cm sees about a third of
its signal from scatter at strength 1, as published scatter fractions of wide cone beams do (M)."""
LEAST_SIGNAL = 2.0e-5
"""Smallest share of the open beam that the converter tells from zero (16 bits)."""
WATER_TABLE_MM = 320.0


def scatter_of(left: NDArray[np.float32], acquisition: Acquisition, geometry: Geometry) -> NDArray[np.float32]:
    """Give the scatter of each view as a share of the open beam, same shape as `left` (views, rows, columns)."""
    cells = max(1, round(SCATTER_COARSE_MM / geometry.pixel_mm))
    rows, columns = geometry.rows, geometry.columns
    sigma = SCATTER_BLUR_MM / (geometry.pixel_mm * cells)
    out = np.empty_like(left)

    def work(first: int, last: int) -> None:
        for view in range(first, last):
            small = left[view, : rows // cells * cells, : columns // cells * cells]
            small = small.reshape(rows // cells, cells, columns // cells, cells).mean(axis=(1, 3))
            source = small * -np.log(np.maximum(small, 1e-6))
            spread = gaussian_filter(source.astype(np.float64), sigma, mode="nearest")
            grown = zoom(
                spread, (rows / spread.shape[0], columns / spread.shape[1]), order=1, grid_mode=True, mode="nearest"
            )
            out[view] = acquisition.scatter * SCATTER_AIR_GAP * grown + acquisition.scatter_floor

    in_slabs(work, len(left), parts=8)
    return out


def record(
    left: NDArray[np.float32],
    acquisition: Acquisition,
    geometry: Geometry,
    spectrum: Spectrum,
    rng: np.random.Generator | None,
) -> NDArray[np.float32]:
    """Give the machine's corrected line integrals; without `rng` there is no noise.

    Parameters
    ----------
    left : float32 array of shape (views, rows, columns)
        Share of the signal left by the primary beam.
    """
    scatter = scatter_of(left, acquisition, geometry)
    signal = left + scatter
    gains = np.ones(geometry.columns, np.float32)
    for share, gain in acquisition.bad_columns:
        gains[int(np.clip(share, 0, 1) * (geometry.columns - 1))] = gain
    taken_off = acquisition.scatter_corrected * scatter.mean(axis=(1, 2), keepdims=True)
    to_water = water_table(spectrum)
    streams = rng.spawn(len(left)) if rng is not None else None

    def work(first: int, last: int) -> None:
        for view in range(first, last):
            image = signal[view]
            if acquisition.blur_px > 0:
                image = gaussian_filter(image, acquisition.blur_px, mode="nearest")
            if streams is not None:
                image = _noisy(image, acquisition, spectrum, streams[view])
            image = np.minimum(image * gains, 1.0) - taken_off[view]
            # The machine never subtracts below a twentieth of what it read: no view explodes.
            image = np.maximum(image, np.maximum(0.05 * signal[view], LEAST_SIGNAL))
            signal[view] = np.interp(-np.log(image), *to_water)

    in_slabs(work, len(left), parts=8)
    return signal


def _noisy(
    image: NDArray[np.float32], acquisition: Acquisition, spectrum: Spectrum, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Give the image with quantum and electronic noise; a normal law, since signals sum many light quanta."""
    photons = acquisition.photons
    spread = np.sqrt(
        np.maximum(image, 0) * spectrum.swank / photons + (acquisition.electronic_noise / photons) ** 2
    )
    return image + spread * rng.standard_normal(image.shape, dtype=np.float32)


def water_table(spectrum: Spectrum) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give (measured log, corrected log): the water correction that every machine makes.

    Corrected logs are thickness of water times `water_per_mm`; beyond the table they go on along the last slope.
    """
    thickness = np.linspace(0.0, WATER_TABLE_MM, 200)
    mu = _water_mu(spectrum)
    measured = -np.log(np.exp(-np.outer(thickness, mu)) @ spectrum.weights)
    corrected = thickness * water_per_mm(spectrum)
    slope = (corrected[-1] - corrected[-2]) / (measured[-1] - measured[-2])
    measured = np.concatenate([[measured[0] - 1.0], measured, [measured[-1] + 20.0]])
    first = (corrected[1] - corrected[0]) / (measured[2] - measured[1])
    return measured, np.concatenate([[corrected[0] - first], corrected, [corrected[-1] + 20.0 * slope]])


def _water_mu(spectrum: Spectrum) -> NDArray[np.float64]:
    return substance_cm2_g("water", spectrum.energies_kev) / 10.0


def water_per_mm(spectrum: Spectrum) -> float:
    """Give the attenuation (1/mm) that the machine calls water: the mean over 150 mm of it."""
    mu = _water_mu(spectrum)
    return float(-np.log(np.sum(spectrum.weights * np.exp(-mu * 150.0))) / 150.0)
