"""One jaw of the phantom: arch, bone, gingiva, teeth and canals in the jaw frame.

The jaw frame of the lower jaw has x to the patient's left, y to the back, z up, the occlusal plane at z = 0 and the
incisors at the origin; mm. The upper jaw is described upside down in a frame of the same kind (`flip`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from phantoms.arch import ArchCurve, make_arch
from phantoms.bone import Sections, resorbed, sections_of, straightened_distance
from phantoms.sinus import AirSpace, air_spaces
from phantoms.teeth import HALF_MD, HEIGHT, NECK_MD, Tooth, crown_width_mm, tooth_parameters
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly, unit
from planner_core.geometry.polyline import smooth_through

# Columns of the per-station table that the kernels read.
GUM, GUM_TOP, CORTEX_CREST, CORTEX_BASE, CREST, BASE, CHEEK, TONGUE, SPONGE = range(9)
STATION_COLUMNS = 9

LIGAMENT_MM = 0.25
"""Width of the periodontal gap (about 0.15 to 0.4 mm, common practice, no source)."""
LAMINA_MM = 0.40
"""Thickness of the dense socket wall round a root (M)."""


@frozen(eq=False)
class Canal:
    """A bony canal as a tube.

    Parameters
    ----------
    side : str
        ``"left"`` or ``"right"`` of the patient.
    centre_mm : array of shape (n, 3)
        Centre-line, jaw frame, from the back to the mental foramen.
    diameter_mm : float
    """

    side: str
    centre_mm: FloatArray = field(converter=readonly)
    diameter_mm: float


@frozen(eq=False)
class Jaw:
    """One jaw with everything that grows in it."""

    upper: bool
    curve: ArchCurve
    sections: Sections
    bone: NDArray[np.float32]
    table: FloatArray
    teeth: tuple[Tooth, ...]
    canals: tuple[Canal, ...]
    places: dict[int, float]
    """Station of the middle of each tooth position, present or not."""
    spaces: tuple[AirSpace, ...] = ()
    """Sinuses and nose of an upper jaw."""

    def tooth(self, iso: int) -> Tooth:
        """Give the tooth at an ISO 3950 position."""
        for tooth in self.teeth:
            if tooth.iso == iso:
                return tooth
        raise PlannerError(f"The phantom has no tooth {iso}.", "Choose a position that it has.")


@frozen
class JawShape:
    """What may vary from jaw to jaw; the defaults are a middling dentate lower jaw."""

    upper: bool = False
    width_scale: float = 1.0
    depth_scale: float = 1.0
    skew: float = 0.0
    bone_width_scale: float = 1.0
    bone_height_scale: float = 1.0
    missing: tuple[int, ...] = ()
    """Positions without a natural tooth; their ridge has healed."""
    third_molars: bool = False
    ridge_loss_mm: float = 1.6
    ridge_half_mm: float = 4.0
    """Half width of the healed ridge below its top."""
    edentulous: bool = False
    cortex_crest_mm: float = 0.8
    cortex_base_mm: float = 2.6
    sponge: float = 0.26
    """Share of bone in the trabecular space."""
    gum_mm: float = 1.9
    canal_diameter_mm: float = 2.9
    canal_height_mm: float = 8.0
    """Height of the canal's middle over the lower border at the first molars."""
    canal_raise_mm: tuple[float, float] = (0.0, 0.0)
    """What the right and the left canal run higher than that."""
    sinus_floor_mm: tuple[float, float] | None = None
    """Bone between crest and sinus floor at the upper molars, right and left; None leaves the spaces out."""
    cheek_gap_mm: float = 2.6
    tongue_gap_mm: float = 2.2


def _positions(upper: bool, third_molars: bool) -> list[tuple[int, float]]:
    """Give (ISO number, station of the crown's middle) from right to left for the standard widths."""
    right, left = (1, 2) if upper else (4, 3)
    last = 8 if third_molars else 7
    places: list[tuple[int, float]] = []
    edge = 0.0
    for number in range(1, last + 1):
        width = crown_width_mm(left * 10 + number)
        places.append((left * 10 + number, edge + width / 2))
        places.append((right * 10 + number, -(edge + width / 2)))
        edge += width
    return sorted(places, key=lambda item: item[1])


def _place_tooth(
    iso: int, station: float, curve: ArchCurve, sections: Sections, shape: JawShape, rng: np.random.Generator
) -> Tooth:
    """Put a tooth over its place on the arch, its root following the bone."""
    # x of a tooth's frame points to the patient's right, so the midline lies that way for teeth on the left.
    toward_midline = 1.0 if iso // 10 in (3, 2) else -1.0
    parameters = tooth_parameters(iso, rng, toward_midline)
    tangent = curve.tangent(station)
    outward = np.array([tangent[1], -tangent[0], 0.0])
    along = np.array([-tangent[0], -tangent[1], 0.0])
    height = float(
        sections.value("crest_z", station)
        - 0.5 * (sections.value("crest_z", station) + sections.value("base_z", station))
    )
    lean_out = (sections.value("middle_t", station) - sections.value("crest_t", station)) / height
    down = unit(
        np.array([0.0, 0.0, -1.0])
        + outward * float(np.clip(lean_out + 0.03 * rng.standard_normal(), -0.25, 0.20))
        + along * 0.035 * rng.standard_normal()
    )
    axis = -down
    outward = unit(outward - axis * (outward @ axis))
    side = np.cross(outward, axis)
    offset = sections.value("crest_t", station) + 0.2 * rng.standard_normal()
    cervix = np.append(curve.at(station, offset), -parameters[HEIGHT] + 0.25 * rng.standard_normal())
    matrix = np.eye(4)
    matrix[:3, :3] = np.column_stack([side, outward, axis])
    matrix[:3, 3] = cervix
    present = not shape.edentulous and iso not in shape.missing
    return Tooth(iso, parameters, matrix, present)


def _runs(places: Sequence[tuple[int, float]], missing: Sequence[int]) -> list[tuple[float, float]]:
    """Give the station ranges of neighbouring missing positions, crown edge to crown edge."""
    runs: list[tuple[float, float]] = []
    open_run: tuple[float, float] | None = None
    for iso, station in places:
        half = crown_width_mm(iso) / 2
        if iso in missing:
            open_run = (open_run[0] if open_run else station - half, station + half)
        elif open_run:
            runs.append(open_run)
            open_run = None
    if open_run:
        runs.append(open_run)
    return runs


def _gum_top(stations: FloatArray, teeth: Sequence[Tooth], places: dict[int, float]) -> FloatArray:
    """Give the height of the gingival margin by station: low at the middle of a tooth, high between two."""
    top = np.full(len(stations), 60.0)
    for tooth in teeth:
        if not tooth.present:
            continue
        half = crown_width_mm(tooth.iso) / 2
        inside = np.abs(stations - places[tooth.iso]) <= half + 0.3
        phase = (stations[inside] - places[tooth.iso]) / half
        cervix = tooth.jaw_from_tooth[2, 3]
        top[inside] = np.minimum(top[inside], cervix + 0.9 + 1.9 * phase**2)
    return top


def _station_table(
    sections: Sections, shape: JawShape, teeth: Sequence[Tooth], places: dict[int, float], rng: np.random.Generator
) -> FloatArray:
    stations = np.asarray(sections.stations_mm)
    table = np.zeros((len(stations), STATION_COLUMNS))
    wave = 0.15 * np.sin(stations / 9.0 + rng.uniform(0, 6)) + 0.1 * np.sin(stations / 4.3 + rng.uniform(0, 6))
    table[:, GUM] = shape.gum_mm * (1 + wave)
    table[:, GUM_TOP] = _gum_top(stations, teeth, places)
    table[:, CORTEX_CREST] = shape.cortex_crest_mm * (1 + wave)
    table[:, CORTEX_BASE] = shape.cortex_base_mm * (1 + wave)
    table[:, CREST], table[:, BASE] = sections.crest_z, sections.base_z
    # Cheek and lip keep off the teeth by the gap; behind the last molar they close.
    widest = np.interp(np.abs(stations), [0, 10, 22, 32, 50, 60, 70], [4.6, 4.8, 5.6, 6.6, 7.2, 6.0, 3.0])
    closing = np.clip((64.0 - np.abs(stations)) / 10.0, 0.0, 1.0)
    table[:, CHEEK] = widest + shape.cheek_gap_mm * (1 + 3 * wave) * closing
    table[:, TONGUE] = widest * 0.9 + shape.tongue_gap_mm * (1 - 2 * wave) * closing
    table[:, SPONGE] = (
        shape.sponge * (1 + 0.6 * wave) * np.interp(np.abs(stations), [0, 20, 45, 70], [1.3, 1.1, 0.85, 0.7])
    )
    return table


def _canal(side: str, curve: ArchCurve, sections: Sections, shape: JawShape, rng: np.random.Generator) -> Canal:
    """Lead a canal from the ramus to the mental foramen between the second premolar and its neighbours."""
    sign = 1.0 if side == "left" else -1.0
    lift = shape.canal_raise_mm[1 if side == "left" else 0]
    foramen = 28.0 + 1.2 * rng.standard_normal()

    def place(station: float, across: float, over_base: float) -> FloatArray:
        s = sign * station
        base = sections.value("base_z", s)
        # From the lingual (-1) to the buccal (+1) side of the section between middle and lower border.
        centre = 0.5 * (sections.value("middle_t", s) + sections.value("base_t", s))
        half = 0.5 * (sections.value("middle_half", s) + sections.value("base_half", s))
        return np.append(curve.at(s, centre + across * half), base + over_base)

    h, jitter = shape.canal_height_mm, 0.4 * rng.standard_normal(4)
    controls = [
        place(80.0, -0.75, 36.0),
        place(72.0, -0.45, 25.0),
        place(64.0, -0.30, 15.5 + 0.5 * lift),
        place(56.0, -0.30, h + 2.6 + 0.8 * lift + jitter[0]),
        place(47.0, -0.28, h + 0.4 + lift + jitter[1]),
        place(38.5, -0.12, h + lift),
        place(32.5, 0.18, h + 1.0 + lift + jitter[2]),
        place(foramen + 0.6, 0.62, h + 3.6 + 0.6 * lift),
        place(foramen + 1.2, 1.22, h + 5.6 + 0.4 * lift),
    ]
    return Canal(side, smooth_through(np.array(controls), 0.5), shape.canal_diameter_mm * (1 + 0.05 * jitter[3]))


def build_jaw(shape: JawShape, rng: np.random.Generator) -> Jaw:
    """Build a jaw of the given shape; `rng` varies what the shape leaves open."""
    curve = make_arch(shape.upper, shape.width_scale, shape.depth_scale, shape.skew)
    stations = np.asarray(curve.stations_mm)
    sections = sections_of(stations, shape.upper, shape.bone_width_scale, shape.bone_height_scale)
    # Crowns are spread by the arch's own scale, so that neighbours keep touching.
    scale = 0.5 * (shape.width_scale + shape.depth_scale)
    places = [(iso, station * scale) for iso, station in _positions(shape.upper, shape.third_molars)]
    missing = [iso for iso, _ in places] if shape.edentulous else list(shape.missing)
    for start, stop in _runs(places, missing):
        sections = resorbed(
            sections,
            start + 0.6,
            stop - 0.6,
            shape.ridge_loss_mm,
            shape.ridge_half_mm * (1 + 0.06 * rng.standard_normal()),
        )
    teeth = tuple(_place_tooth(iso, station, curve, sections, shape, rng) for iso, station in places)
    teeth = tuple(_scaled(tooth, scale) for tooth in teeth)
    where = dict(places)
    canals: tuple[Canal, ...] = ()
    if not shape.upper:
        canals = tuple(_canal(side, curve, sections, shape, rng) for side in ("right", "left"))
    table = _station_table(sections, shape, teeth, where, rng)
    spaces: tuple[AirSpace, ...] = ()
    if shape.upper and shape.sinus_floor_mm is not None:
        spaces = air_spaces(curve, sections, shape.sinus_floor_mm)
    return Jaw(shape.upper, curve, sections, straightened_distance(sections), table, teeth, canals, where, spaces)


def _scaled(tooth: Tooth, scale: float) -> Tooth:
    """Give the tooth with its widths scaled along the arch."""
    parameters = np.array(tooth.parameters)
    parameters[[HALF_MD, NECK_MD]] *= scale
    return evolve(tooth, parameters=parameters)
