"""Sites in the notations in use and in words.

ISO 3950 two-digit numbers inside; Universal numbers (ADA; the mapping is marked M: from memory, and agrees with the
DICOM coding of teeth, CID 4018) beside them wherever a site is printed, since 11 to 18, 21 to 28, 31 and 32
exist in both. Implant sites follow ISO 19429:2015: no quadrants 5 to 8.
"""

from __future__ import annotations

from attrs import frozen

from planner_core.errors import PlannerError

TOOTH_WORDS = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
QUADRANT_WORDS = {"1": "upper right", "2": "upper left", "3": "lower left", "4": "lower right"}


@frozen
class SiteName:
    """A site in both notations and in words."""

    iso: str
    universal: int
    words: str

    def __str__(self) -> str:
        return f"{self.iso} (Universal {self.universal}), {self.words}"


def universal_number(site: str) -> int:
    """Give the Universal number (1 to 32) of an ISO 3950 site of the permanent teeth.

    Raises
    ------
    PlannerError
        If it is not a site of the permanent teeth.
    """
    if len(site) != 2 or site[0] not in "1234" or site[1] not in "12345678":
        raise PlannerError(f"{site!r} is not a site of a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    quadrant, tooth = int(site[0]), int(site[1])
    return {1: 9 - tooth, 2: 8 + tooth, 3: 25 - tooth, 4: 24 + tooth}[quadrant]


def site_name(site: str) -> SiteName:
    """Give a site with its Universal number and words, for example 36, 19, "lower left first molar"."""
    number = universal_number(site)
    return SiteName(site, number, f"{QUADRANT_WORDS[site[0]]} {TOOTH_WORDS[int(site[1]) - 1]}")


def side_of(site: str) -> str:
    """Give the patient's side of a site: "right" or "left"."""
    return "right" if site[0] in "14" else "left"
