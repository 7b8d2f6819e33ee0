"""The X-ray tube's spectrum and what the detector makes of it.

The fast mode uses Kramers' law with the tungsten K lines and filters; the shipped samples use spekpy
(`phantoms.physics.spekpy_spectrum`).
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen

from phantoms.physics.attenuation import substance_cm2_g, table_per_mm
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly

TUNGSTEN_EDGE_KEV = 69.5
K_LINES_KEV = ((57.98, 0.55), (59.32, 1.0), (67.24, 0.33), (69.1, 0.09))
"""Tungsten K lines and relative strengths (M)."""
LINE_SHARE_PER_KV = 0.0035
"""K lines' share of the photons per kV above the edge, about 7 % at 90 kVp (M; spekpy gives 5 to 8 %)."""
INHERENT_UM_TUNGSTEN = 6.0
"""Self-filtration of the target, micrometres of tungsten (M)."""
CSI_MM = 0.55
"""Thickness of the detector's caesium iodide; 0.5 to 0.6 mm is usual in flat panels (M)."""
CSI_FILL = 0.75 * 4.51
"""Density of the columnar layer, g/cm3 (M)."""


@frozen(eq=False)
class Spectrum:
    """What the detector weighs each energy with.

    Parameters
    ----------
    energies_kev : array of shape (n,)
    weights : array of shape (n,)
        Photons x energy x absorbed share, sums to one.
    swank : float
        Mean squared over squared mean of the signal per photon, at least 1: the noise is that much more.
    """

    energies_kev: FloatArray = field(converter=readonly)
    weights: FloatArray = field(converter=readonly)
    swank: float = 1.0

    def attenuation_per_mm(self) -> FloatArray:
        """Linear attenuation (1/mm) of every material at the energies, shape (n, 16)."""
        return table_per_mm(self.energies_kev)


def detected(energies_kev: FloatArray, photons: FloatArray) -> Spectrum:
    """Give the spectrum as an energy-integrating caesium iodide panel sees it."""
    csi = 0.4885 * substance_cm2_g("I", energies_kev) + 0.5115 * substance_cm2_g("Cs", energies_kev)
    absorbed = 1.0 - np.exp(-csi * CSI_FILL * CSI_MM / 10.0)
    caught = photons * absorbed
    weights = caught * energies_kev
    mean = float(np.sum(caught * energies_kev) / np.sum(caught))
    square = float(np.sum(caught * energies_kev**2) / np.sum(caught))
    return Spectrum(energies_kev, weights / weights.sum(), square / mean**2)


def filtered_kramers(kvp: float, aluminium_mm: float = 2.5, copper_mm: float = 0.0, bins: int = 20) -> Spectrum:
    """Give a filtered tube spectrum: Kramers' law, K lines, self-filtration, filters.

    Parameters
    ----------
    kvp : float
        Tube voltage, 50 to 140 kV.
    aluminium_mm, copper_mm : float
    bins : int
        Number of energies.

    Raises
    ------
    PlannerError
        If the voltage is out of range.
    """
    if not 50.0 <= kvp <= 140.0:
        raise PlannerError(f"A tube voltage of {kvp:g} kV cannot be simulated.", "Choose 50 to 140 kV.")
    edges = np.linspace(18.0, kvp, bins + 1)
    energies = 0.5 * (edges[:-1] + edges[1:])
    photons = np.maximum(kvp / energies - 1.0, 0.0)
    photons /= photons.sum()
    photons = photons * np.exp(
        -substance_cm2_g("W", energies) * 19.25 * INHERENT_UM_TUNGSTEN * 1e-4
        - substance_cm2_g("Al", energies) * 2.70 * aluminium_mm / 10.0
        - substance_cm2_g("Cu", energies) * 8.96 * copper_mm / 10.0
    )
    if kvp > TUNGSTEN_EDGE_KEV:
        share = photons.sum() * LINE_SHARE_PER_KV * (kvp - TUNGSTEN_EDGE_KEV)
        total = sum(strength for _, strength in K_LINES_KEV)
        for energy, strength in K_LINES_KEV:
            k = int(np.clip(np.searchsorted(edges, energy) - 1, 0, bins - 1))
            photons[k] += share * strength / total
    return detected(energies, photons)
