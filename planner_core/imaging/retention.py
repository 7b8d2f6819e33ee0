"""How restorations are held, as the user notes it at the chair."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

import numpy as np
from attrs import field, frozen

from planner_core.geometry.frames import FloatArray, readonly

SAME_BODY_MM = 6.0
"""A note belongs to the nearest dense body whose centre lies this near to its place, mm (our choice: under a
tooth's width, over what the centre moves when the estimate changes)."""


class Retention(StrEnum):
    """How a restoration is held; noted by the user."""

    UNKNOWN = "not noted"
    SCREW = "screw-retained"
    CEMENT = "cemented"
    TOOTH = "tooth"


IN_A_TOOTH = "post or root filling"
"""The kind of body that needs no note: it stands in a tooth."""


def held_if_not_noted(kind: str) -> Retention:
    """Give how a body of a kind is held as far as its kind alone tells."""
    return Retention.TOOTH if kind == IN_A_TOOTH else Retention.UNKNOWN


@frozen(eq=False)
class RetentionNote:
    """What the user noted about the restoration at a place.

    Parameters
    ----------
    place_lps_mm : array of shape (3,)
        Centre of the dense body as the scan check saw it.
    retention : Retention
    """

    place_lps_mm: FloatArray = field(converter=readonly)
    retention: Retention = Retention.UNKNOWN


def notes_by_body(notes: Sequence[RetentionNote], centres_lps_mm: Sequence[FloatArray]) -> Mapping[int, Retention]:
    """Give the notes by the place of their body in a list of bodies, from 0; others are passed over."""
    found: dict[int, Retention] = {}
    if not centres_lps_mm:
        return found
    centres = np.array(centres_lps_mm, dtype=np.float64)
    for note in notes:
        away = np.linalg.norm(centres - note.place_lps_mm, axis=1)
        nearest = int(np.argmin(away))
        if float(away[nearest]) <= SAME_BODY_MM and note.retention is not Retention.UNKNOWN:
            found[nearest] = note.retention
    return found
