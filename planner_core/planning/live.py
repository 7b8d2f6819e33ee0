"""What surrounds a fixture besides the ledger, quick enough for a drag.

Plates at several depths, crest depth, depth under the planned gingival margin, screw exit, emergence, papillae.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import frozen

from planner_core.anatomy.structures import ArchCurve
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.abutments import ChosenAbutment
from planner_core.planning.crown_fit import next_site
from planner_core.planning.crowns import PlannedTooth
from planner_core.planning.emergence import ScrewExit, emergence_deg, screw_exit
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.ledger import LedgerState, LiveLedger, state_of
from planner_core.planning.margins import FIXTURE, Margin, margin_for
from planner_core.planning.obstacles import ObstacleKind
from planner_core.planning.papilla import Between, Papilla, papilla
from planner_core.planning.plates import Plate, crest_depth_mm, depth_under_margin_mm, plates
from planner_core.planning.rays import hits_mm, near_part

NEAR_MM, KEEP_WITHIN_MM = 22.0, 4.0
"""Bone this near to a fixture is kept at hand, until its middle has moved by the second number, mm (our choice)."""


@frozen(eq=False)
class PapillaBeside:
    """A papilla on one side of a planned crown; what is not known is None and said in `text`."""

    towards: str
    between: Between
    contact_to_crest_mm: float | None
    gap_mm: float | None
    papilla: Papilla | None
    text: str


@frozen(eq=False)
class Beside:
    """What surrounds one fixture.

    Parameters
    ----------
    plates : tuple of Plate
        Facial and lingual bone by depth; empty without a bone surface.
    plate_margin : Margin
        What the plates are held against.
    crest_depth_mm : float or None
        Platform under the crest along the axis; negative above it.
    margin_depth_mm : float or None
        Platform under the planned gingival margin; None without a planned tooth.
    """

    site: str
    plates: tuple[Plate, ...]
    plate_margin: Margin
    crest_depth_mm: float | None
    margin_depth_mm: float | None = None
    exit: ScrewExit | None = None
    emergence_deg: float | None = None
    papillae: tuple[PapillaBeside, ...] = ()

    def state_of(self, plate: Plate) -> LedgerState:
        """Give the state of a plate in a word."""
        return state_of(plate.thickness_mm, self.plate_margin.value_mm)


class LiveSurroundings:
    """Surroundings of fixtures, prepared for dragging.

    Parameters
    ----------
    bone : Surface or None
        After a planned reduction.
    bone_sigma_mm : float or None
        How well that surface is known along its normal.
    crowns : mapping of site to PlannedTooth
    ledger : LiveLedger or None
        For the gaps at platform level.
    abutments : mapping of site to ChosenAbutment, optional
        The screw leaves along them.
    """

    def __init__(
        self,
        bone: Surface | None,
        arch: ArchCurve | None,
        crowns: Mapping[str, PlannedTooth],
        ledger: LiveLedger | None = None,
        *,
        abutments: Mapping[str, ChosenAbutment] | None = None,
        voxel_mm: float | None = None,
        bone_sigma_mm: float | None = None,
        limits_margin_mm: Mapping[str, float] | None = None,
    ) -> None:
        self._bone, self._arch, self._crowns, self._ledger = bone, arch, crowns, ledger
        self._voxel_mm, self._bone_sigma_mm = voxel_mm, bone_sigma_mm
        self._abutments = abutments or {}
        self._margin = margin_for(ObstacleKind.BONE_SURFACE, FIXTURE, limits_margin_mm)
        self._near: dict[str, tuple[FloatArray, Surface]] = {}
        self._kept: dict[str, tuple[tuple[object, ...], Beside]] = {}
        self._crests: dict[tuple[str, int], float | None] = {}

    def of(self, fixtures: Mapping[str, PlacedFixture]) -> Mapping[str, Beside]:
        """Give the surroundings of all fixtures as they stand now; those that did not move keep theirs."""
        found = {}
        for site, fixture in fixtures.items():
            beside = tuple(fixtures.get(next_site(site, step) or "") for step in (-1, 1))
            kept = self._kept.get(site)
            key = (fixture, *beside)
            if kept is None or any(a is not b for a, b in zip(kept[0], key, strict=True)):
                kept = (key, self._beside(site, fixture, fixtures))
                self._kept[site] = kept
            found[site] = kept[1]
        return found

    def _beside(self, site: str, fixture: PlacedFixture, fixtures: Mapping[str, PlacedFixture]) -> Beside:
        walls: tuple[Plate, ...] = ()
        crest = None
        bone = self._bone_near(site, fixture)
        if bone is not None:
            crest = crest_depth_mm(fixture, bone)
            if self._arch is not None:
                facial = self._arch.outward_at(self._arch.station_of(fixture.pose.platform_lps_mm))
                walls = plates(fixture, bone, facial, voxel_mm=self._voxel_mm, sigma_mm=self._bone_sigma_mm)
        crown = self._crowns.get(site)
        if crown is None:
            return Beside(site, walls, self._margin, crest)
        try:
            leaves = screw_exit(fixture, crown, self._abutments.get(site))
        except PlannerError:
            leaves = None
        return Beside(
            site,
            walls,
            self._margin,
            crest,
            depth_under_margin_mm(fixture, crown),
            leaves,
            emergence_deg(fixture, crown),
            tuple(self._papillae(crown, fixture, fixtures)),
        )

    def _bone_near(self, site: str, fixture: PlacedFixture) -> Surface | None:
        if self._bone is None:
            return None
        middle = fixture.pose.at_depth(fixture.shape.length_mm / 2.0)
        kept = self._near.get(site)
        if kept is None or float(np.linalg.norm(middle - kept[0])) > KEEP_WITHIN_MM:
            kept = (middle, _compact(near_part(self._bone, middle, NEAR_MM)))
            self._near[site] = kept
        return kept[1]

    def _papillae(
        self, crown: PlannedTooth, fixture: PlacedFixture, fixtures: Mapping[str, PlacedFixture]
    ) -> list[PapillaBeside]:
        found = []
        for step in (-1, 1):
            neighbour = next_site(crown.site, step)
            if neighbour is None:
                continue
            between, gap = self._gap(crown.site, fixture, neighbour, fixtures)
            if between is None:
                continue
            height = self._contact_to_crest(crown, step)
            expected = None
            if height is not None and gap is not None and height >= 0.0:
                expected = papilla(between, height, max(gap, 0.0))
            found.append(
                PapillaBeside(neighbour, between, height, gap, expected, _papilla_text(height, gap, expected))
            )
        return found

    def _gap(
        self, site: str, fixture: PlacedFixture, neighbour: str, fixtures: Mapping[str, PlacedFixture]
    ) -> tuple[Between | None, float | None]:
        if self._ledger is None:
            return None, None
        if neighbour in fixtures:
            return Between.FIXTURES, self._ledger.gap_between_mm(site, fixture, neighbour, fixtures[neighbour])
        for index, obstacle in enumerate(self._ledger.obstacles):
            if obstacle.kind == ObstacleKind.ROOT and obstacle.name.endswith(f" {neighbour}"):
                return Between.TOOTH_AND_FIXTURE, self._ledger.platform_gap_mm(site, fixture, index)
        return None, None

    def _contact_to_crest(self, crown: PlannedTooth, step: int) -> float | None:
        key = (crown.site, step)
        if key not in self._crests:
            self._crests[key] = None
            if self._bone is not None:
                contact = crown.contacts_lps_mm()[0 if step > 0 else 1]
                met = hits_mm(near_part(self._bone, contact, 20.0), contact, -crown.occlusal_lps)
                met = met[met >= 0.0]
                self._crests[key] = float(met[0]) if len(met) else None
        return self._crests[key]


def _compact(surface: Surface) -> Surface:
    """Give a surface without the points that none of its triangles uses."""
    used, index = np.unique(surface.triangles, return_inverse=True)
    return Surface(surface.points_mm[used], index.reshape(-1, 3), surface.frame)


def _papilla_text(height: float | None, gap: float | None, expected: Papilla | None) -> str:
    if height is None:
        return "contact to crest not measurable: no bone found under the contact"
    if gap is None or expected is None:
        return "gap at platform level not measurable"
    share = "" if expected.share is None else f", {100 * expected.share:.0f} %"
    return f"{expected.expectation}{share} ({expected.source})"
