"""The materials that a phantom is made of, as small numbers that fit four bits."""

from __future__ import annotations

from enum import IntEnum
from types import MappingProxyType


class Material(IntEnum):
    """Label of a material in a `MaterialMap`; at most 16."""

    AIR = 0
    SOFT = 1
    MARROW = 2
    BONE = 3
    DENTINE = 4
    ENAMEL = 5
    ACRYLIC = 6
    ZIRCONIA = 7
    TITANIUM = 8
    CAST_METAL = 9
    GLASS_CERAMIC = 10
    COMPOSITE = 11
    ROOT_FILLING = 12
    AMALGAM = 13
    VENEER = 14


COUNT = 15
"""Number of materials in use."""

DENSITY_G_CM3 = MappingProxyType(
    {
        Material.AIR: 0.0012,
        Material.SOFT: 1.06,  # ICRU-44 soft tissue
        Material.MARROW: 1.00,  # red and yellow marrow mixed, ICRU-46 gives 0.98 to 1.03 (M)
        Material.BONE: 1.92,  # ICRU-44 cortical bone; FACTS.md section 8 warns of a list that says 3.6
        Material.DENTINE: 2.14,  # M
        Material.ENAMEL: 2.9,  # FACTS.md section 8
        Material.ACRYLIC: 1.19,
        Material.ZIRCONIA: 6.05,  # FACTS.md section 0 row 8
        Material.TITANIUM: 4.43,  # ASTM F136, FACTS.md section 8
        Material.CAST_METAL: 8.4,  # cobalt-chromium casting alloy (M)
        Material.GLASS_CERAMIC: 2.8,  # our own marker glass
        Material.COMPOSITE: 2.1,  # M
        Material.ROOT_FILLING: 2.6,  # M
        Material.AMALGAM: 11.5,  # M
        Material.VENEER: 2.45,  # feldspathic porcelain (M)
    }
)
"""Densities in g/cm3."""

RESTORATIVE = frozenset(
    {
        Material.ZIRCONIA,
        Material.TITANIUM,
        Material.CAST_METAL,
        Material.COMPOSITE,
        Material.ROOT_FILLING,
        Material.AMALGAM,
        Material.VENEER,
    }
)
"""What a dentist put there; glass-ceramic markers are kept apart."""

HARD_TISSUE = frozenset({Material.BONE, Material.DENTINE, Material.ENAMEL})
