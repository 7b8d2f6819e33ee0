"""The plan: everything that the user gave, drew or adopted, as one immutable value.

Inputs and adopted results only. What follows from them (ledger, budget, sheet, guide body) is derived and is never
stored here; see `planner_core.case.derived`.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from attrs import field, frozen

from planner_core.anatomy.marked import BoneCut, Cavity, DrawnStructure, Foramen, MarkedTooth
from planner_core.anatomy.measure import Measurement
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Jaw, Side
from planner_core.findings import Finding
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.retention import RetentionNote
from planner_core.imaging.scan import ScanSource
from planner_core.planning.abutments import ChosenAbutment
from planner_core.planning.arch_design import ArchDesign
from planner_core.planning.carriers import BearingArea
from planner_core.planning.crowns import PlannedTooth
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.eligibility import MouthFacts
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.own_outcomes import OwnData
from planner_core.planning.seating import Pin
from planner_core.registration.kept import KeptMarker, PaintedRegion, SecondScan
from planner_core.registration.match import Match, PointPair


def frozen_mapping(values: Mapping[str, Any]) -> Mapping[str, Any]:
    """Give a read-only copy of a mapping, in its order; one that is read-only already stays the same object.

    Identity is what tells an edit's listeners which parts it touched.
    """
    return values if isinstance(values, MappingProxyType) else MappingProxyType(dict(values))


@frozen
class Patient:
    """Who is treated; every field may be empty (a case can be kept without identity)."""

    name: str = ""
    patient_id: str = ""
    birth_date: str = ""
    """ISO 8601."""
    invented: bool = False
    """True for the shipped samples: no real person."""


@frozen(eq=False)
class ScanInput:
    """The cone-beam scan of the case."""

    volume: Volume
    source: ScanSource
    findings: tuple[Finding, ...] = ()


class SurfaceRole(StrEnum):
    """What a surface scan shows."""

    TEETH = "teeth and gingiva"
    PROSTHESIS = "prosthesis"
    WAX_UP = "wax-up"
    OPPOSING = "opposing teeth"


@frozen(eq=False)
class SurfaceInput:
    """A surface scan in its own frame."""

    surface_id: str
    label: str
    role: SurfaceRole
    surface: Surface
    unit: str = "mm"
    findings: tuple[Finding, ...] = ()
    same_frame_as: str = ""
    """Id of the surface whose frame it shares, as scans exported in occlusion and a wax-up on its model do."""


@frozen(eq=False)
class AdoptedMatch:
    """The match in use and the fingerprints of the inputs that it was made from.

    It is stale when one of them differs from today's (`planner_core.case.derived`).
    """

    match: Match
    surface_id: str
    made_from: Mapping[str, str] = field(converter=frozen_mapping, factory=dict)


@frozen(eq=False)
class AdoptedBone:
    """The bone surface in use and what it was made from."""

    bone: BoneSurface
    made_from: Mapping[str, str] = field(converter=frozen_mapping, factory=dict)


@frozen
class ScanReading:
    """That a qualified person has read the whole volume: who, when, what was found."""

    reader: str
    date: str
    """ISO 8601."""
    text: str


@frozen
class GuideSettings:
    """What carries the guide and how it leads; inputs only."""

    code: str = ""
    """Code engraved on the guide and compared aloud at the chair."""
    support: Support = Support.TEETH
    guidance: Guidance = Guidance.FULL
    sleeves: Mapping[str, Sleeve] = field(converter=frozen_mapping, factory=dict)
    """Sleeve by site."""
    drill_list: DrillList | None = None
    bearing_areas: tuple[BearingArea, ...] = ()
    """Stretches of mucosa or bone that carry the guide; the teeth that do stand in `MouthFacts.teeth`."""
    pins: tuple[Pin, ...] = ()
    """They hold a seated guide under load and do not correct how it was seated."""
    wall_mm: float = 3.0
    """Thickness of the guide's wall: how far a free end bends."""


@frozen
class Limits:
    """Limits that the clinician may set; None = the program's sourced default."""

    margin_mm: Mapping[str, float] = field(converter=frozen_mapping, factory=dict)
    """Margin by obstacle kind."""
    harm_chance: float | None = None
    """Accepted chance of harm per site (0..1)."""


@frozen(eq=False)
class Plan:
    """One state of a case. Identity is the comparison; edits make new plans that share what did not change."""

    title: str = ""
    jaw: Jaw = Jaw.LOWER
    patient: Patient = Patient()
    scan: ScanInput | None = None
    reading: ScanReading | None = None
    surfaces: Mapping[str, SurfaceInput] = field(converter=frozen_mapping, factory=dict)
    pairs: tuple[PointPair, ...] = ()
    markers: Mapping[str, tuple[KeptMarker, ...]] = field(converter=frozen_mapping, factory=dict)
    """By frame: "lps" the patient's scan, else the surface scan or prosthesis that they were found on."""
    regions: Mapping[str, PaintedRegion] = field(converter=frozen_mapping, factory=dict)
    """What is painted in or out for the match, by surface."""
    second_scan: SecondScan | None = None
    """The prosthesis scanned alone."""
    retention: tuple[RetentionNote, ...] = ()
    """How restorations are held."""
    match: AdoptedMatch | None = None
    arch: ArchCurve | None = None
    canals: Mapping[str, Canal] = field(converter=frozen_mapping, factory=dict)
    """By `Side` value."""
    foramina: Mapping[str, Foramen] = field(converter=frozen_mapping, factory=dict)
    """Mental foramina by `Side` value."""
    teeth: Mapping[str, MarkedTooth] = field(converter=frozen_mapping, factory=dict)
    """By ISO 3950 number."""
    cavities: Mapping[str, Cavity] = field(converter=frozen_mapping, factory=dict)
    """Sinuses, nasal floor, airway by `Cavity.key`."""
    drawn: Mapping[str, DrawnStructure] = field(converter=frozen_mapping, factory=dict)
    """By name."""
    measurements: Mapping[str, Measurement] = field(converter=frozen_mapping, factory=dict)
    """By key, "1", "2" and so on unless named."""
    bone: AdoptedBone | None = None
    bone_cut: BoneCut | None = None
    """The planned bone reduction."""
    crowns: Mapping[str, PlannedTooth] = field(converter=frozen_mapping, factory=dict)
    """Planned teeth by site."""
    design: ArchDesign = field(factory=ArchDesign)
    """Kind of prosthesis, occlusal plane, lip line."""
    fixtures: Mapping[str, PlacedFixture] = field(converter=frozen_mapping, factory=dict)
    """By site."""
    abutments: Mapping[str, ChosenAbutment] = field(converter=frozen_mapping, factory=dict)
    """By site of a fixture."""
    guide: GuideSettings = field(factory=GuideSettings)
    limits: Limits = field(factory=Limits)
    mouth: MouthFacts = field(factory=MouthFacts)
    """What was examined at the chair and decides which guides are open."""
    own_data: OwnData | None = None
    """The clinic's own measured outcomes, which update what is expected of its hands."""
    notes: str = ""
    made_on: Mapping[str, str] = field(converter=frozen_mapping, factory=dict)
    """Content hash of the scan that each part was drawn on: "arch", "canal:left", "foramen:left", "tooth:35",
    "cavity:sinus left", "drawn:NAME", "measurement:1", "bone cut", "crown:36", "fixture:36",
    "pairs", "reading".

    A part drawn on another scan than today's is stale (`planner_core.case.derived`).
    """

    def canal_of(self, side: Side) -> Canal | None:
        """Give the canal of one side, if it was marked."""
        canal: Canal | None = self.canals.get(side.value)
        return canal
