"""A place that the user points at, as tools get it: numbers only, so that tests need no mouse."""

from __future__ import annotations

from typing import Protocol

from attrs import field, frozen

from planner_core.anatomy.sections import SectionFrame
from planner_core.geometry.frames import FloatArray, readonly


@frozen(eq=False)
class Pick:
    """One place under the pointer.

    Parameters
    ----------
    where : str
        ``"across"``, ``"along"``, ``"axial"``, ``"strip"`` or ``"scene"``.
    point_mm : array of shape (3,)
        In LPS, or in the surface scan's own frame when `frame_name` says so.
    reach_mm : float
        How near counts as on it: a few pixels of that view, mm.
    section : SectionFrame, optional
        Plane of the view; its directions turn pointer movements into directions in space.
    frame_name : str
        Frame of `point_mm`.
    """

    where: str
    point_mm: FloatArray = field(converter=readonly)
    reach_mm: float = 0.5
    section: SectionFrame | None = None
    frame_name: str = "lps"
    double: bool = False
    turning: bool = False
    """The key that turns instead of moving is held."""
    sliding: bool = False
    """The key that moves along the axis only is held."""


class Gestures(Protocol):
    """What a view tells about the pointer; each answers whether it was taken."""

    def press(self, pick: Pick) -> bool:
        """The button went down."""

    def drag(self, pick: Pick) -> None:
        """The pointer moved with the button down, after a press that was taken."""

    def release(self, pick: Pick) -> None:
        """The button went up."""

    def hover(self, pick: Pick) -> str:
        """Give what stands under the pointer, in words for the pointer's shape: "", "move", "turn", "point"."""
