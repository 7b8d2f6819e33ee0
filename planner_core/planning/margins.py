"""Default distances to keep, each with its source and whether it is only a convention."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from attrs import evolve, frozen

from planner_core.planning.obstacles import ObstacleKind


@frozen
class Margin:
    """A distance to keep.

    Parameters
    ----------
    value_mm : float
    source : str
        Publication, or "common practice, no source", or "the user's own value".
    mark : str
        S seen in the source, S2 in a secondary page, M from memory, C computed, "" for the user's own.
    convention : bool
        True where the literature does not establish the number as a threshold.
    note : str
        What the number does and does not mean.
    """

    value_mm: float
    source: str
    mark: str
    convention: bool
    note: str = ""


_NEIGHBOUR = Margin(
    2.0,
    "Fokas et al. 2018, Clin Oral Implants Res, doi 10.1111/clr.13142",
    "S",
    True,
    "2 mm to neighbouring structures for planning on cone-beam scans; an allowance for error.",
)


def _neighbour(note: str) -> Margin:
    return evolve(_NEIGHBOUR, note=f"{_NEIGHBOUR.note} {note}")


FIXTURE, DRILL = "fixture", "drill"
"""The two bodies that a ledger measures from."""

DEFAULT_MARGINS: Mapping[ObstacleKind, Margin] = MappingProxyType(
    {
        ObstacleKind.CANAL: Margin(
            2.0,
            "Fokas et al. 2018, Clin Oral Implants Res, doi 10.1111/clr.13142",
            "S",
            True,
            "An allowance for error: among 474 implants the three lasting numbnesses were all at 0 mm "
            "(Tufekcioglu et al. 2017, S). Counts from the canal's outer wall.",
        ),
        ObstacleKind.FORAMEN: Margin(
            4.4,
            "2.0 mm (Fokas et al. 2018) and the mean anterior loop of 2.4 mm (systematic review of 63 studies)",
            "S",
            True,
            "For a loop that was not traced; loops of 6 mm occur, no fixed distance is safe.",
        ),
        ObstacleKind.ROOT: Margin(
            1.5,
            "teaching pages, after Esposito et al. 1993; agrees with 1.34 to 1.40 mm of lateral bone loss "
            "(Tarnow et al. 2000)",
            "S2",
            True,
            "A convention.",
        ),
        ObstacleKind.FIXTURE: Margin(
            3.0,
            "Tarnow, Cho, Wallace 2000, J Periodontol 71:546",
            "S",
            True,
            "At platform level; a review could define no optimal distance (Jung et al. 2018, S).",
        ),
        ObstacleKind.BONE_SURFACE: Margin(
            1.5,
            "Monje et al. 2019, Int J Oral Maxillofac Implants (beagle); Spray et al. 2000 saw no loss from about "
            "1.8 mm",
            "S",
            True,
            "Wall left beside the fixture from 0.5 mm below the platform; no minimum was verified "
            "(Albeshri and Greenstein 2021, S).",
        ),
        ObstacleKind.SINUS_FLOOR: Margin(
            1.0,
            "common practice, no source",
            "M",
            True,
            "Of lower rank than a nerve: 493 fixtures through the floor, 95.6 % survival (Ragucci et al. 2019, S).",
        ),
        ObstacleKind.NASAL_FLOOR: Margin(1.0, "common practice, no source", "M", True),
        ObstacleKind.INCISIVE_CANAL: _NEIGHBOUR,
        ObstacleKind.FLOOR_VESSEL: _neighbour("Ranks with the nerve (common practice, no source)."),
        ObstacleKind.LINGUAL_CONCAVITY: _neighbour(
            "Ranks with the nerve because of the vessels below (common practice, no source)."
        ),
        ObstacleKind.SINUS_ARTERY: _NEIGHBOUR,
        ObstacleKind.LESION: _NEIGHBOUR,
        ObstacleKind.IMPACTED_TOOTH: _NEIGHBOUR,
        ObstacleKind.DRAWN: _NEIGHBOUR,
    }
)

DRILL_MARGINS: Mapping[ObstacleKind, Margin] = MappingProxyType(
    {
        ObstacleKind.FIXTURE: Margin(
            0.0,
            "our choice: the drill must not reach another fixture or its drill path",
            "",
            True,
            "Below platform level contact is what counts.",
        ),
        ObstacleKind.BONE_SURFACE: Margin(
            1.0,
            "common practice, no source",
            "M",
            True,
            "Bone left around the drill deeper than 3 mm below the platform: perforation towards tongue, cheek or "
            "lower border.",
        ),
    }
)
"""Margins of the drill where they differ from those of the fixture."""

USERS_OWN = "the user's own value"


def margin_for(
    kind: ObstacleKind, body: str = FIXTURE, limits_margin_mm: Mapping[str, float] | None = None
) -> Margin:
    """Give the margin of a kind of obstacle for the fixture or the drill.

    Parameters
    ----------
    limits_margin_mm : mapping of kind value to mm, or None
        The user's own margins. They replace the fixture's, and the drill's where it has none of its own.
    """
    apart = body == DRILL and kind in DRILL_MARGINS
    if limits_margin_mm and kind.value in limits_margin_mm and not apart:
        return Margin(float(limits_margin_mm[kind.value]), USERS_OWN, "", DEFAULT_MARGINS[kind].convention)
    return DRILL_MARGINS[kind] if apart else DEFAULT_MARGINS[kind]
