"""The tube's spectrum from spekpy (extra `samples`)."""

from __future__ import annotations

import numpy as np

from phantoms.physics.spectrum import Spectrum, detected
from planner_core.errors import PlannerError

ANODE_DEG = 12.0


def spekpy_spectrum(kvp: float, aluminium_mm: float, copper_mm: float, bin_kev: float = 1.0) -> Spectrum:
    """Give a filtered tungsten spectrum as the detector weighs it.

    Raises
    ------
    PlannerError
        If spekpy is not installed.
    """
    try:
        import spekpy
    except ImportError as error:
        raise PlannerError(
            "spekpy is not installed, so the sample's spectrum cannot be made.", "Install the extra `samples`."
        ) from error
    tube = spekpy.Spek(kvp=kvp, th=ANODE_DEG, dk=bin_kev)
    tube.multi_filter((("Al", aluminium_mm), ("Cu", copper_mm)))
    energies, fluence = tube.get_spectrum(edges=False)
    keep = (energies > 15.0) & (fluence > 0)
    return detected(np.asarray(energies[keep], dtype=np.float64), np.asarray(fluence[keep], dtype=np.float64))


def check_attenuation_against_xraydb(energies_kev: tuple[float, ...] = (30.0, 40.0, 60.0, 80.0, 100.0)) -> float:
    """Give the largest relative departure from xraydb for zirconia, titanium, water and hydroxyapatite.

    Raises
    ------
    PlannerError
        If xraydb is not installed, or the tables differ by more than 1.5 %.
    """
    try:
        import xraydb
    except ImportError as error:
        raise PlannerError("xraydb is not installed, so the tables cannot be checked.", "Install it.") from error
    from phantoms.physics.attenuation import HYDROXYAPATITE, TI_6AL_4V, ZIRCONIA_3Y, mixture_cm2_g, substance_cm2_g

    energies = np.array(energies_kev)
    water = {"H": 2 * 1.008 / 18.015, "O": 15.999 / 18.015}
    worst = 0.0
    for composition, ours in (
        (ZIRCONIA_3Y, mixture_cm2_g(ZIRCONIA_3Y, energies)),
        (HYDROXYAPATITE, mixture_cm2_g(HYDROXYAPATITE, energies)),
        (TI_6AL_4V, mixture_cm2_g(TI_6AL_4V, energies)),
        (water, substance_cm2_g("water", energies)),
    ):
        theirs = sum(share * xraydb.mu_elam(element, energies * 1e3) for element, share in composition.items())
        worst = max(worst, float(np.abs(ours / theirs - 1.0).max()))
    if worst > 0.015:
        raise PlannerError(f"Attenuation departs from xraydb by {100 * worst:.1f} %.", "Check the tables.")
    return worst
