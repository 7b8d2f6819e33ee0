"""How strongly the phantom's materials attenuate X-rays."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from phantoms.materials import COUNT, DENSITY_G_CM3, Material
from phantoms.physics.attenuation_data import ELEMENTS
from planner_core.errors import PlannerError

NIST_KEV = (20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
NIST_CM2_G = MappingProxyType(
    {
        "water": (0.8096, 0.3756, 0.2683, 0.2269, 0.2059, 0.1837, 0.1707),
        "soft tissue": (0.8230, 0.3790, 0.2688, 0.2264, 0.2048, 0.1823, 0.1693),
        "pmma": (0.5714, 0.3032, 0.2350, 0.2074, 0.1924, 0.1751, 0.1641),
        "cortical bone": (4.001, 1.331, 0.6655, 0.4242, 0.3148, 0.2229, 0.1855),
        "O": (0.8651, 0.3779, 0.2585, 0.2132, 0.1907, 0.1678, 0.1551),
        "Ti": (15.85, 4.972, 2.214, 1.213, 0.7661, 0.4052, 0.2721),
        "Y": (68.55, 23.30, 10.65, 5.764, 3.493, 1.607, 0.9047),
        "Zr": (72.37, 24.85, 11.39, 6.173, 3.744, 1.721, 0.9658),
    }
)
"""NIST (Hubbell and Seltzer, SRD 126, NISTIR 5632), mass attenuation; FACTS.md section 8, mark S."""

ATOMIC_MASS = MappingProxyType(
    {
        "H": 1.008,
        "C": 12.011,
        "N": 14.007,
        "O": 15.999,
        "Na": 22.990,
        "Al": 26.982,
        "Si": 28.086,
        "P": 30.974,
        "S": 32.06,
    }
    | {"K": 39.098, "Ca": 40.078, "Zn": 65.38, "Y": 88.906, "Zr": 91.224, "Ba": 137.327}
)


def mass_shares(formula: dict[str, float]) -> dict[str, float]:
    """Give the mass shares of the elements of a chemical formula (atoms per unit)."""
    mass = {element: count * ATOMIC_MASS[element] for element, count in formula.items()}
    total = sum(mass.values())
    return {element: value / total for element, value in mass.items()}


def mixed(parts: list[tuple[float, dict[str, float]]]) -> dict[str, float]:
    """Give the mass shares of a mixture of (mass share, composition) parts."""
    total = sum(share for share, _ in parts)
    out: dict[str, float] = {}
    for share, composition in parts:
        for name, value in composition.items():
            out[name] = out.get(name, 0.0) + value * share / total
    return out


ZIRCONIA_3Y = mixed([(94.8, mass_shares({"Zr": 1, "O": 2})), (5.2, mass_shares({"Y": 2, "O": 3}))])
"""3Y-TZP as FACTS.md section 0 row 8: 94.8 % ZrO2, 5.2 % Y2O3 by mass."""
HYDROXYAPATITE = mass_shares({"Ca": 10, "P": 6, "O": 26, "H": 2})
TI_6AL_4V = {"Ti": 0.90, "Al": 0.06, "V": 0.04}
_DENTAL_GLASS = mixed(
    [
        (67, mass_shares({"Si": 1, "O": 2})),
        (16, mass_shares({"Ba": 1, "O": 1})),
        (17, mass_shares({"Al": 2, "O": 3})),
    ]
)

COMPOSITION = MappingProxyType(
    {
        Material.AIR: {"N": 0.76, "O": 0.24},
        Material.SOFT: {"soft tissue": 1.0},
        Material.MARROW: {"H": 0.11, "C": 0.53, "N": 0.02, "O": 0.34},  # between red and yellow marrow (M)
        Material.BONE: {"cortical bone": 1.0},
        Material.DENTINE: mixed([(70, HYDROXYAPATITE), (20, {"soft tissue": 1.0}), (10, {"water": 1.0})]),  # M
        Material.ENAMEL: mixed([(96, HYDROXYAPATITE), (4, {"water": 1.0})]),  # M
        Material.ACRYLIC: {"pmma": 1.0},
        Material.ZIRCONIA: ZIRCONIA_3Y,
        Material.TITANIUM: TI_6AL_4V,
        Material.CAST_METAL: {"Co": 0.68, "Cr": 0.32},  # molybdenum counted as its neighbours (M)
        Material.GLASS_CERAMIC: mixed(
            [
                (66, mass_shares({"Si": 1, "O": 2})),
                (28, mass_shares({"Al": 2, "O": 3})),
                (6, mass_shares({"Ba": 1, "O": 1})),
            ]
        ),  # our own marker glass
        Material.COMPOSITE: mixed([(72, _DENTAL_GLASS), (28, {"pmma": 1.0})]),  # M
        Material.ROOT_FILLING: mixed(
            [
                (70, mass_shares({"Zn": 1, "O": 1})),
                (10, mass_shares({"Ba": 1, "S": 1, "O": 4})),
                (20, {"pmma": 1.0}),
            ]
        ),  # gutta-percha: mostly zinc oxide (M)
        Material.VENEER: mixed(
            [
                (65, mass_shares({"Si": 1, "O": 2})),
                (17, mass_shares({"Al": 2, "O": 3})),
                (11, mass_shares({"K": 2, "O": 1})),
                (7, mass_shares({"Na": 2, "O": 1})),
            ]
        ),  # feldspathic porcelain (M)
        Material.AMALGAM: {"Hg": 0.45, "Ag": 0.32, "Sn": 0.14, "Cu": 0.09},  # M
    }
)
"""Mass shares by substance; names with several letters in lower case are NIST mixtures."""


def substance_cm2_g(name: str, energies_kev: ArrayLike) -> NDArray[np.float64]:
    """Give the mass attenuation (cm2/g) of an element or a NIST mixture, log-log interpolated.

    NIST's numbers come first; elements that FACTS.md does not list come from xraydb. Beyond the table's ends the
    last piece is continued.

    Raises
    ------
    PlannerError
        If the substance is in neither table.
    """
    energies = np.log(np.asarray(energies_kev, dtype=np.float64))
    if name in NIST_CM2_G:
        x, y = np.log(NIST_KEV), np.log(NIST_CM2_G[name])
    elif name in ELEMENTS:
        x, y = np.log(np.array(ELEMENTS[name])).T
    else:
        raise PlannerError(
            f"No attenuation is known for {name}.", "Add it to phantoms/physics/attenuation_data.py."
        )
    piece = np.clip(np.searchsorted(x, energies) - 1, 0, len(x) - 2)
    slope = (y[piece + 1] - y[piece]) / (x[piece + 1] - x[piece])
    return np.asarray(np.exp(y[piece] + slope * (energies - x[piece])))


def mixture_cm2_g(composition: dict[str, float], energies_kev: ArrayLike) -> NDArray[np.float64]:
    """Give the mass attenuation (cm2/g) of a mixture by the mixture rule."""
    energies = np.asarray(energies_kev, dtype=np.float64)
    total = np.zeros_like(energies)
    for name, share in composition.items():
        total += share * substance_cm2_g(name, energies)
    return total


def linear_per_mm(material: Material, energies_kev: ArrayLike) -> NDArray[np.float64]:
    """Give the linear attenuation (1/mm) of a phantom material."""
    return mixture_cm2_g(dict(COMPOSITION[material]), energies_kev) * DENSITY_G_CM3[material] / 10.0


def table_per_mm(energies_kev: ArrayLike) -> NDArray[np.float64]:
    """Give linear attenuation (1/mm), shape (energies, 16); unused labels are zero."""
    energies = np.atleast_1d(np.asarray(energies_kev, dtype=np.float64))
    table = np.zeros((len(energies), 16))
    for material in Material:
        table[:, material] = linear_per_mm(material, energies)
    assert len(Material) == COUNT
    return table


def monoenergetic_hu(composition: dict[str, float], density_g_cm3: float, energy_kev: float) -> float:
    """Give the Hounsfield number of a substance for one photon energy."""
    water = float(substance_cm2_g("water", energy_kev))
    return 1000.0 * (float(mixture_cm2_g(composition, energy_kev)) * density_g_cm3 - water) / water


def half_value_layer_mm(composition: dict[str, float], density_g_cm3: float, energy_kev: float) -> float:
    """Give the thickness (mm) that halves a beam of one photon energy."""
    return float(np.log(2.0) / (mixture_cm2_g(composition, energy_kev) * density_g_cm3 / 10.0))
