"""Every number of the error model by name, with unit, source and mark.

Marks: S seen in the source, S2 in a secondary page, M from memory, C computed, "our choice" where nothing better is
known. A budget takes these unless the guide's inputs say otherwise (`GuideInputs.values`).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from attrs import frozen

OUR_CHOICE = "our choice"


@frozen
class Quantity:
    """One number of the model.

    `low` and `high` span what is plausible; the sensitivity table moves the number between them.
    """

    name: str
    label: str
    value: float
    unit: str
    low: float
    high: float
    source: str
    mark: str


_ROWS = (
    Quantity(
        "match_default_rms_mm", "match where no match is adopted", 0.30, "mm", 0.15, 0.60,
        "Noh et al. 2011, Am J Orthod Dentofacial Orthop 140:585 (0.27 to 0.33 mm in clean mouths)", "S",
    ),
    Quantity(
        "making_sigma_mm", "guide making, per axis", 0.10, "mm", 0.05, 0.15,
        "CMM study of printed templates: 31 to 96 um, some more after a week", "S",
    ),
    Quantity("making_tilt_deg", "guide making, tilt of a sleeve", 0.3, "deg", 0.1, 0.6, OUR_CHOICE, OUR_CHOICE),
    Quantity(
        "tooth_contact_sigma_mm", "seating on a tooth", 0.15, "mm", 0.07, 0.30,
        "Elnadoury et al., PMC12801966: guide to tooth 0.07 to 0.20 mm", "S",
    ),
    Quantity(
        "mucosa_contact_sigma_mm", "seating on mucosa, across it", 0.9, "mm", 0.4, 1.5,
        "our choice, so that the published order tooth < mucosa holds", OUR_CHOICE,
    ),
    Quantity(
        "bone_contact_sigma_mm", "seating on bone, across it", 0.8, "mm", 0.4, 1.4,
        "our choice, so that the published order mucosa <= bone holds: segmentation, periosteum, flap",
        OUR_CHOICE,
    ),
    Quantity(
        "sliding_factor", "seating along mucosa or bone over across it", 1.5, "-", 1.0, 3.0, OUR_CHOICE, OUR_CHOICE
    ),
    Quantity(
        "tooth_proud_mm", "guide seats proud on teeth, besides standing on the highest", 0.0, "mm", 0.0, 0.20,
        "Elnadoury et al., PMC12801966: guide to tooth 0.07 to 0.20 mm", "S",
    ),
    Quantity(
        "mucosa_sinks_mm", "guide sinks into mucosa", 0.20, "mm", 0.0, 0.5, OUR_CHOICE, OUR_CHOICE
    ),
    Quantity(
        "bone_proud_mm", "guide seats proud on bone, besides standing on the highest", 0.0, "mm", 0.0, 0.4,
        "standing on the three highest places (`seating.STANDING`) already gives 0.5 mm; published vertical bias "
        "-0.25 to -0.57 mm (consensus 2018, S)", "C",
    ),
    Quantity(
        "tooth_compliance_mm_per_n", "give of a tooth", 0.002, "mm/N", 0.0005, 0.005, "from memory", "M"
    ),
    Quantity(
        "mucosa_compliance_mm_per_n", "give of mucosa under one bearing", 0.03, "mm/N", 0.01, 0.06, OUR_CHOICE,
        OUR_CHOICE,
    ),
    Quantity(
        "bone_compliance_mm_per_n", "give of bone under one bearing", 0.001, "mm/N", 0.0003, 0.003, OUR_CHOICE,
        OUR_CHOICE,
    ),
    Quantity("pin_compliance_mm_per_n", "give of a pin, across it", 0.004, "mm/N", 0.001, 0.01, OUR_CHOICE,
             OUR_CHOICE),
    Quantity("load_axial_n", "handpiece load along the drill", 20.0, "N", 10.0, 30.0,
             "thrusts of 1.2 to 2.4 kgf are studied (PMC7920569); a loaded guide is taken at 20 N", "S"),
    Quantity("load_spread", "spread of the load over its mean", 0.3, "-", 0.1, 0.6, OUR_CHOICE, OUR_CHOICE),
    Quantity("load_lateral_n", "handpiece load across the drill, per axis", 3.0, "N", 1.0, 8.0, OUR_CHOICE,
             OUR_CHOICE),
    Quantity("guide_modulus_n_per_mm2", "stiffness of the printed resin", 2000.0, "N/mm2", 1500.0, 3000.0,
             "from memory", "M"),
    Quantity("guide_width_mm", "width of the guide's bearing wall", 10.0, "mm", 6.0, 14.0, OUR_CHOICE, OUR_CHOICE),
    Quantity("depth_stop_sigma_mm", "depth stop", 0.20, "mm", 0.1, 0.5, OUR_CHOICE, OUR_CHOICE),
    Quantity(
        "debris_mm", "debris in the bore and sleeve (shallow)", 0.15, "mm", 0.0, 0.4,
        "our choice within the published vertical bias of -0.25 to -0.57 mm (consensus 2018, S)", OUR_CHOICE,
    ),
    Quantity(
        "play_lean", "lean in the sleeve over what the play allows, root mean square", 0.9, "-", 0.7, 1.0,
        "our choice: a hand leans a drill most of the way; 0.71 would be anywhere within the play", OUR_CHOICE,
    ),
    Quantity(
        "socket_factor", "tilt and shift in an extraction socket over healed bone", 1.75, "-", 1.0, 2.0,
        "Raabe et al. 2023, Int J Implant Dent 9:4 (4.2 against 2.4 degrees)", "S",
    ),
    Quantity(
        "operator_spread", "operators differ: spread of the logarithm of their steadiness", 0.2, "-", 0.0, 0.35,
        "published standard deviations are 0.45 to 0.54 of the mean where one normal law has 0.42 "
        "(Kaewsiri 2019, Abou Khalil 2020; S): a mixture", "C",
    ),
    Quantity(
        "blunder_share", "share of cases that follow no normal law", 0.01, "-", 0.0, 0.05,
        "our choice, so that the largest of 1,500 lies near the published maxima of 4.5 and 7.1 mm "
        "(Tahmaseb 2014, S)", OUR_CHOICE,
    ),
    Quantity("blunder_sigma_mm", "a blunder's shift, per axis", 1.5, "mm", 1.0, 3.0, "our choice, as above",
             OUR_CHOICE),
    Quantity("blunder_tilt_deg", "a blunder's tilt, per axis", 8.0, "deg", 4.0, 12.0, "our choice, as above",
             OUR_CHOICE),
    Quantity(
        "streak_sigma_mm", "how much a fully degraded place blurs an obstacle", 1.0, "mm", 0.3, 2.0, OUR_CHOICE,
        OUR_CHOICE,
    ),
)  # fmt: skip

DEFAULTS: Mapping[str, Quantity] = MappingProxyType({row.name: row for row in _ROWS})
"""The model's numbers by name."""
