"""Whether a papilla may be expected beside a crown, from published tables; information, no promise."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError


class Between(StrEnum):
    """What stands on the two sides of the papilla."""

    TEETH = "two teeth"
    TOOTH_AND_FIXTURE = "a tooth and a fixture"
    FIXTURES = "two fixtures"


TEETH_SHARE = ((5.0, 1.00), (6.0, 0.56), (7.0, 0.27))
"""Contact to crest (mm) and share of papillae present between teeth (Tarnow, Magner, Fletcher 1992, J Periodontol
63:995; S). Up to 5 mm nearly all, from 7 mm 27 % or less."""

GAP_ABSENT_MM, GAP_PRESENT_MM = 2.5, 3.0
"""Gap between fixture and neighbour: up to 2.5 mm absent in all, from 3 mm mostly present (Gastaldo, Cury, Sendyk
2004, J Periodontol 75:1242; S)."""

CONTACT_LIMIT_MM = {Between.TOOTH_AND_FIXTURE: 5.0, Between.FIXTURES: 3.0}
"""Contact to crest up to which it was mostly present (same paper: 3 to 5 mm beside a tooth, 3 mm between fixtures;
S)."""


@frozen
class Papilla:
    """What the tables say; `share` is None where they give a word and no number."""

    expectation: str
    share: float | None
    source: str


def papilla(between: Between, contact_to_crest_mm: float, gap_mm: float | None = None) -> Papilla:
    """Give what may be expected of a papilla.

    Parameters
    ----------
    contact_to_crest_mm : float
        From the contact point of the crowns down to the bone crest.
    gap_mm : float or None
        Between fixture and neighbour at platform level; needed where a fixture takes part.

    Raises
    ------
    PlannerError
        If a distance is missing or negative.
    """
    if contact_to_crest_mm < 0.0 or (gap_mm is not None and gap_mm < 0.0):
        raise PlannerError("A distance for the papilla is negative.", "Check contact and crest.")
    if between == Between.TEETH:
        depths, shares = zip(*TEETH_SHARE, strict=True)
        share = float(np.interp(contact_to_crest_mm, depths, shares))
        word = "nearly always" if share > 0.95 else "about every second" if share > 0.4 else "seldom"
        return Papilla(word, share, "Tarnow, Magner, Fletcher 1992")
    if gap_mm is None:
        raise PlannerError("The gap beside the fixture is not known.", "Measure it at platform level.")
    source = "Gastaldo, Cury, Sendyk 2004"
    if gap_mm <= GAP_ABSENT_MM:
        return Papilla("absent in all of the study", 0.0, source)
    if gap_mm >= GAP_PRESENT_MM and contact_to_crest_mm <= CONTACT_LIMIT_MM[between]:
        return Papilla("mostly present", None, source)
    return Papilla("not reliable", None, source)
