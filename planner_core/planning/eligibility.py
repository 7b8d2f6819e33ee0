"""Which supports are open to this mouth, each refusal with its reason."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import field, frozen

from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs

MIN_CARRIER_TEETH = 3
"""Teeth that must carry a guide (common practice, no source)."""

THICK_MUCOSA_MM = 4.0
"""Mucosa thicker than this gives too much under a guide (our choice; common practice says thin and firm)."""

PUNCH_RIM_MM = 2.0
"""Keratinised tissue that must remain on either side of a punch (common practice, no source)."""

PUNCH_WIDER_MM = 0.5
"""Punch wider than the fixture by this, mm (common practice, no source)."""

HANDPIECE_HEAD_MM = 14.0
DRILL_IN_CHUCK_MM = 6.0
"""Height of a handpiece's head, and drill between chuck and sleeve top, mm (common practice, no source)."""


@frozen
class CarrierTooth:
    """A tooth that might carry the guide (ISO 3950 number)."""

    number: str
    mobile: bool = False
    to_extract: bool = False

    @property
    def usable(self) -> bool:
        """Whether it can carry."""
        return not (self.mobile or self.to_extract)

    @property
    def right(self) -> bool:
        """Whether it stands on the patient's right."""
        return self.number[:1] in ("1", "4")


@frozen
class MouthFacts:
    """What the clinician knows of the mouth; None = not examined.

    Parameters
    ----------
    teeth : tuple of CarrierTooth or None
        Teeth of this jaw that might carry the guide.
    mucosa_thickness_mm : float or None
        Largest under the guide.
    keratinised_width_mm : float or None
        Least at the sites.
    mouth_opening_mm : float or None
        At the sites furthest back.
    flap_needed : bool
        A flap is raised in any case (graft, bone reduction, narrow keratinised band).
    """

    teeth: tuple[CarrierTooth, ...] | None = None
    mucosa_thickness_mm: float | None = None
    mucosa_mobile: bool | None = None
    keratinised_width_mm: float | None = None
    mouth_opening_mm: float | None = None
    flap_needed: bool = False
    sites_to_reduce: tuple[str, ...] = field(factory=tuple)
    """Sites where bone is taken off before drilling."""


@frozen
class Refusal:
    """Why a support or guidance is not open."""

    reason: str
    source: str = "common practice, no source"
    mark: str = "M"


def opening_needed_mm(guide: GuideInputs, fixtures: Mapping[str, PlacedFixture]) -> float:
    """Give the mouth opening that the longest guided drill asks for, mm: head, chuck, sleeve, gap and fixture."""
    longest = max(
        (guide.sleeve(site).drill_depth_mm(f.shape.length_mm) for site, f in fixtures.items()), default=0.0
    )
    return HANDPIECE_HEAD_MM + DRILL_IN_CHUCK_MM + longest


def refusals(
    support: Support,
    guidance: Guidance,
    facts: MouthFacts,
    guide: GuideInputs,
    fixtures: Mapping[str, PlacedFixture],
) -> tuple[Refusal, ...]:
    """Give every reason against a support with a guidance; empty when it is open."""
    found: list[Refusal] = []
    if support == Support.TEETH:
        found += _of_teeth(facts, fixtures)
    elif support == Support.MUCOSA:
        found += _of_mucosa(facts, fixtures)
    if support == Support.BONE and facts.sites_to_reduce:
        found.append(Refusal("The bone that would carry the guide is taken off first.", "our choice", ""))
    needed = opening_needed_mm(guide, fixtures)
    if support != Support.NONE and facts.mouth_opening_mm is not None and facts.mouth_opening_mm < needed:
        found.append(
            Refusal(
                f"The mouth opens {facts.mouth_opening_mm:.0f} mm, the longest guided drill needs about "
                f"{needed:.0f} mm."
            )
        )
    return tuple(found)


def _of_teeth(facts: MouthFacts, fixtures: Mapping[str, PlacedFixture]) -> list[Refusal]:
    if facts.teeth is None:
        return []
    found = []
    for tooth in facts.teeth:
        if tooth.to_extract:
            found.append(f"tooth {tooth.number} is to be extracted")
        elif tooth.mobile:
            found.append(f"tooth {tooth.number} is mobile")
    usable = [tooth for tooth in facts.teeth if tooth.usable]
    reasons = []
    if len(usable) < MIN_CARRIER_TEETH:
        why = f" ({', '.join(found)})" if found else ""
        reasons.append(
            Refusal(f"Only {len(usable)} teeth can carry the guide{why}; {MIN_CARRIER_TEETH} are needed.")
        )
    sides = {tooth.right for tooth in usable}
    spread = np.ptp([f.pose.platform_lps_mm[0] for f in fixtures.values()]) if fixtures else 0.0
    if usable and len(sides) == 1 and len(fixtures) > 1 and float(spread) > 20.0:
        reasons.append(
            Refusal(
                "All carrying teeth stand on one side, the sites on both.",
                "bilateral tooth support is best (Shi et al. 2023, Int J Implant Dent 9:38)",
                "S",
            )
        )
    return reasons


def _of_mucosa(facts: MouthFacts, fixtures: Mapping[str, PlacedFixture]) -> list[Refusal]:
    reasons = []
    if facts.flap_needed:
        reasons.append(Refusal("A flap is raised in any case: the mucosa cannot carry the guide."))
    if facts.mucosa_mobile:
        reasons.append(Refusal("The mucosa is mobile."))
    if facts.mucosa_thickness_mm is not None and facts.mucosa_thickness_mm > THICK_MUCOSA_MM:
        reasons.append(
            Refusal(f"The mucosa is {facts.mucosa_thickness_mm:.1f} mm thick, over {THICK_MUCOSA_MM:.0f} mm.")
        )
    widest = max((f.shape.platform_diameter_mm for f in fixtures.values()), default=0.0)
    needed = widest + PUNCH_WIDER_MM + 2.0 * PUNCH_RIM_MM
    if facts.keratinised_width_mm is not None and facts.keratinised_width_mm < needed:
        reasons.append(
            Refusal(
                f"The keratinised band is {facts.keratinised_width_mm:.1f} mm wide, a punch needs {needed:.1f} mm."
            )
        )
    return reasons
