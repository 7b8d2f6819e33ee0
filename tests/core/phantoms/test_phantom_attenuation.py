"""Attenuation against NIST's table and the values that follow from it (FACTS.md sections 0 and 8)."""

from __future__ import annotations

import numpy as np
import pytest

from phantoms.materials import COUNT, Material
from phantoms.physics.attenuation import (
    HYDROXYAPATITE,
    TI_6AL_4V,
    ZIRCONIA_3Y,
    half_value_layer_mm,
    linear_per_mm,
    mixture_cm2_g,
    monoenergetic_hu,
    substance_cm2_g,
    table_per_mm,
)
from phantoms.physics.spectrum import filtered_kramers
from planner_core.errors import PlannerError

KEV = (30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
# FACTS.md section 8, mark C: computed there from NIST by the mixture rule.
FROM_MIXTURE = {
    "3Y-TZP": (ZIRCONIA_3Y, (18.49, 8.496, 4.623, 2.820, 1.317, 0.7548)),
    "hydroxyapatite": (HYDROXYAPATITE, (2.099, 0.9876, 0.5864, 0.4067, 0.2589, 0.2019)),
    "Ti-6Al-4V": (TI_6AL_4V, (4.765, 2.126, 1.168, 0.7399, 0.3943, 0.2666)),
}


@pytest.mark.parametrize("name", FROM_MIXTURE)
def test_mixture_rule_gives_the_published_numbers(name: str) -> None:
    composition, expected = FROM_MIXTURE[name]
    np.testing.assert_allclose(mixture_cm2_g(composition, KEV), expected, rtol=1e-3)


def test_nist_values_at_60_kev() -> None:
    # FACTS.md section 0 row 7, mark S.
    names = ("water", "soft tissue", "cortical bone", "pmma", "Ti", "Zr", "Y", "O")
    expected = (0.2059, 0.2048, 0.3148, 0.1924, 0.7661, 3.744, 3.493, 0.1907)
    np.testing.assert_allclose([float(substance_cm2_g(n, 60.0)) for n in names], expected, rtol=1e-6)


def test_zirconia_linear_attenuation_and_its_ratios() -> None:
    # FACTS.md section 0 row 8, mark C from S.
    energies = (40.0, 60.0, 80.0, 100.0)
    zirconia = mixture_cm2_g(ZIRCONIA_3Y, energies) * 6.05
    np.testing.assert_allclose(zirconia, (51.4, 17.06, 7.97, 4.57), rtol=2e-3)
    np.testing.assert_allclose(
        zirconia / (substance_cm2_g("Ti", energies) * 4.54), (5.11, 4.90, 4.33, 3.70), rtol=3e-3
    )
    bone = substance_cm2_g("cortical bone", energies) * 1.92
    np.testing.assert_allclose(zirconia / bone, (40, 28, 19, 13), rtol=0.03)


def test_monoenergetic_hu_at_60_kev() -> None:
    # FACTS.md section 8, "Derived", mark C.
    assert monoenergetic_hu({"cortical bone": 1.0}, 1.92, 60.0) == pytest.approx(1935, abs=2)
    assert monoenergetic_hu(HYDROXYAPATITE, 3.16, 60.0) == pytest.approx(5241, abs=4)
    assert monoenergetic_hu({"Ti": 1.0}, 4.54, 60.0) == pytest.approx(15892, abs=10)
    assert monoenergetic_hu(ZIRCONIA_3Y, 6.05, 60.0) == pytest.approx(81852, rel=1e-3)


@pytest.mark.parametrize("energy_kev", [20.0, 40.0, 60.0, 80.0])
def test_zirconia_is_above_every_ceiling(energy_kev: float) -> None:
    assert monoenergetic_hu(ZIRCONIA_3Y, 6.05, energy_kev) > 32767


def test_half_value_layers_and_transmission_at_60_kev() -> None:
    # FACTS.md section 8, "Derived", mark C.
    assert half_value_layer_mm({"cortical bone": 1.0}, 1.92, 60.0) == pytest.approx(11.5, abs=0.05)
    assert half_value_layer_mm({"Ti": 1.0}, 4.54, 60.0) == pytest.approx(1.99, abs=0.01)
    assert half_value_layer_mm(ZIRCONIA_3Y, 6.05, 60.0) == pytest.approx(0.41, abs=0.005)
    through = np.exp(-float(linear_per_mm(Material.ZIRCONIA, 60.0)) * np.array([1.0, 2.0, 4.0]))
    np.testing.assert_allclose(through, (0.182, 0.033, 0.0011), rtol=0.02)


def test_k_edge_of_barium_is_kept() -> None:
    below, above = substance_cm2_g("Ba", (37.3, 37.6))
    assert above > 4 * below


def test_every_material_has_a_row_and_attenuates_less_at_higher_energy() -> None:
    table = table_per_mm([60.0, 100.0])
    assert (table[0, 1:COUNT] > 0).all()
    # Mercury's K edge (83 keV) is the one exception.
    others = [m for m in range(1, COUNT) if m != Material.AMALGAM]
    assert (table[1, others] < table[0, others]).all()


def test_hardening_moves_the_spectrum_up() -> None:
    soft, hard = filtered_kramers(90.0, 2.5), filtered_kramers(90.0, 2.5, 0.5)
    assert float(hard.weights @ hard.energies_kev) > float(soft.weights @ soft.energies_kev) + 2.0
    assert soft.weights.sum() == pytest.approx(1.0)
    assert soft.swank > 1.0


def test_voltages_out_of_range_are_refused() -> None:
    with pytest.raises(PlannerError, match="20 kV"):
        filtered_kramers(20.0)
    with pytest.raises(PlannerError, match="unobtainium"):
        substance_cm2_g("unobtainium", 60.0)
