"""The sources that move the drill, each as a small rigid displacement with mean and covariance.

A source is either common to all fixtures of a guide (match, seating; about a point, in LPS) or of one site. Site
sources are alike on all sides of the axis and are written in the fixture's own axes about its platform centre: two
axes across, the third along the axis towards the apex.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray, unit
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.drilling import Guidance, Sleeve, Support
from planner_core.planning.guide_inputs import FALLBACK_SLEEVE, GuideInputs
from planner_core.planning.published import EXECUTION, GUIDANCE_EXTRA, GUIDANCE_SOURCE, TAHMASEB_2018, PoseSpread
from planner_core.planning.seating import (
    UPRIGHT,
    Bearing,
    bearing_of,
    compliance_matrix,
    free_end_deflection_mm,
    movements_under_load,
    seating_covariance,
    standing,
    typical_bearing,
)


@frozen(eq=False)
class Source:
    """One named source of error.

    Parameters
    ----------
    common : bool
        True when all fixtures of the guide share one draw of it.
    covariance : array of shape (6, 6)
        Common: LPS, about `about_lps_mm`. Otherwise: the fixture's axes, about its platform centre.
    mean : array of shape (6,)
    value_text : str
        The number that it stands on, with unit.
    """

    name: str
    label: str
    common: bool
    covariance: FloatArray
    mean: FloatArray
    value_text: str
    source_text: str
    mark: str
    about_lps_mm: FloatArray | None = None
    play_tilt_rad: float = 0.0
    """Half-width of the tilt, where it is bounded and not normal (play)."""
    play_pivot_mm: float = 0.0
    play_lean: float = 1.0
    """Root mean square of the lean over the half-width."""


def play_half_tilt_rad(sleeve: Sleeve, engaged_mm: float | None = None) -> float:
    """Give the largest tilt of a drill in its sleeve: atan(clearance / length held), pivot at mid-length."""
    return float(np.arctan(sleeve.clearance_mm / (engaged_mm or sleeve.height_mm)))


def play_at_mm(sleeve: Sleeve, below_platform_mm: float, engaged_mm: float | None = None) -> float:
    """Give the largest sideways play of the drill at a depth below the platform, mm.

    Sleeve of 5.0 mm, clearance 0.10, gap 4.0, fixture 11.0: 17.5 mm below mid-sleeve, 0.350 mm at the apex (C).
    """
    held = engaged_mm or sleeve.height_mm
    lever = sleeve.gap_mm + held / 2.0 + below_platform_mm
    return float(np.tan(play_half_tilt_rad(sleeve, engaged_mm)) * lever)


def axial_pose(
    tilt_var: float, lateral_var: float, depth_var: float, pivot_mm: float = 0.0, depth_mean_mm: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Give covariance and mean of a spread alike on all sides, in the fixture's axes about its platform centre.

    `tilt_var` (rad^2) about each axis across, with the pivot at `pivot_mm` below the platform.
    """
    covariance = np.diag([tilt_var, tilt_var, 0.0, lateral_var, lateral_var, depth_var])
    # A turn w about the pivot shifts the platform by w x (-pivot * axis).
    shift = np.eye(6)
    shift[3, 1], shift[4, 0] = -pivot_mm, pivot_mm
    mean = np.zeros(6)
    mean[5] = depth_mean_mm
    return shift @ covariance @ shift.T, mean


def spread_pose(spread: PoseSpread, factor: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Give covariance and mean of a `PoseSpread`; `factor` widens tilt and shift."""
    shift = (factor * spread.shift_sigma_mm) ** 2
    tilt = (factor * np.radians(spread.tilt_sigma_deg)) ** 2
    return axial_pose(tilt, shift, shift, spread.pivot_mm, spread.depth_mean_mm)


def default_match(guide: GuideInputs, about_lps_mm: FloatArray) -> PoseCovariance:
    """Give the match that is assumed while none is adopted: the published error of a clean mouth over an arch."""
    sigma2 = guide.value("match_default_rms_mm") ** 2 / 3.0
    tilt2 = sigma2 * 2.0 / 20.0**2
    return PoseCovariance(np.diag([tilt2] * 3 + [sigma2] * 3), about_lps_mm)


@frozen(eq=False)
class Held:
    """How a guide is held: how it seats and how it gives, both about one point in LPS.

    Parameters
    ----------
    seating, compliance : arrays of shape (6, 6)
        Covariance of how it comes to rest, and movement under a load of one.
    proud_mm : float
        How far it stands proud because it rests on its highest bearings.
    bearings : int
        Number of contacts, three to a bearing.
    """

    about_lps_mm: FloatArray
    seating: FloatArray
    compliance: FloatArray
    proud_mm: float
    bearings: int


def held_guide(guide: GuideInputs, axes_lps: FloatArray, platforms_lps_mm: FloatArray) -> Held:
    """Give how the guide is held by its bearings, or by those of a typical full-arch guide while none are known."""
    up = unit(-axes_lps.mean(axis=0))
    if guide.bearings_known:
        bearing = _known_bearing(guide)
        # Which contacts count as upright is all that the direction changes.
        key: object = ("held", (np.abs(bearing.normals_lps @ up) > UPRIGHT).tobytes())
        if key not in guide.remembered:
            guide.remembered[key] = _held(guide, bearing, up)
        known: Held = guide.remembered[key]
        return known
    centre = platforms_lps_mm.mean(axis=0) + FALLBACK_SLEEVE.gap_mm * up
    if guide.pins:
        return _held(guide, typical_bearing(guide.support, centre, up, guide.all_values()), up)
    if "typical" not in guide.remembered:
        upright = np.array([0.0, 0.0, 1.0])
        bearing = typical_bearing(guide.support, np.zeros(3), upright, guide.all_values())
        guide.remembered["typical"] = _held(guide, bearing, upright)
    typical: Held = guide.remembered["typical"]
    turn = lps_from_local(up[None])[0]
    return evolve(
        typical,
        about_lps_mm=centre,
        seating=turn @ typical.seating @ turn.T,
        compliance=turn @ typical.compliance @ turn.T,
    )


def _known_bearing(guide: GuideInputs) -> Bearing:
    if "bearing" not in guide.remembered:
        places = guide.places
        guide.remembered["bearing"] = (
            bearing_of(guide.contacts) if guide.contacts or places is None else places.bearing(guide.all_values())
        )
    known: Bearing = guide.remembered["bearing"]
    return known


def _held(guide: GuideInputs, bearing: Bearing, up: FloatArray) -> Held:
    seated, proud = bearing, 0.0
    if guide.support != Support.MUCOSA:
        seated, proud = standing(bearing, up)
    pose = seating_covariance(seated)
    give = guide.value("pin_compliance_mm_per_n")
    pins = [pin if pin.compliance_mm_per_n else evolve(pin, compliance_mm_per_n=give) for pin in guide.pins]
    about = pose.about_lps_mm
    return Held(about, pose.covariance, compliance_matrix(bearing, pins, about), proud, len(bearing.sigma_mm))


def common_sources(
    guide: GuideInputs,
    match: PoseCovariance | None,
    held: Held,
    axes_lps: FloatArray,
    platforms_lps_mm: FloatArray,
) -> list[Source]:
    """Give the sources that all fixtures of the guide share: match and seating."""
    found = []
    if guide.support in (Support.TEETH, Support.MUCOSA):
        centre = platforms_lps_mm.mean(axis=0)
        pose = match if match is not None else default_match(guide, centre)
        text, mark = ("the adopted match", "C")
        if match is None:
            text, mark = DEFAULTS["match_default_rms_mm"].source, DEFAULTS["match_default_rms_mm"].mark
        value = f"{pose.rms_at(centre):.2f} mm rms at the sites" + (" (assumed)" if match is None else "")
        found.append(
            Source("match", "match of the scans", True, pose.covariance, pose.mean, value, text, mark,
                   pose.about_lps_mm)
        )  # fmt: skip
    found.append(_seating(guide, held, -axes_lps.mean(axis=0)))
    return found


def _seating(guide: GuideInputs, held: Held, up: FloatArray) -> Source:
    name, stated = {
        Support.TEETH: ("tooth", guide.value("tooth_proud_mm")),
        Support.MUCOSA: ("mucosa", -guide.value("mucosa_sinks_mm")),
        Support.BONE: ("bone", guide.value("bone_proud_mm")),
    }[guide.support]
    bias = stated + held.proud_mm
    quantity = DEFAULTS[f"{name}_contact_sigma_mm"]
    where = guide.places.words if guide.places is not None and guide.bearings_known else ""
    value = f"{held.bearings // 3} bearings, {guide.value(quantity.name):.2f} mm across each"
    value += f" ({where})" if where else ("" if guide.bearings_known else " (typical guide assumed)")
    value += f", {abs(bias):.2f} mm {'proud' if bias >= 0.0 else 'sunk'} on average"
    label = "bone surface and seating" if guide.support == Support.BONE else "seating"
    mean = np.concatenate([np.zeros(3), bias * up])
    return Source("seating", label, True, held.seating, mean, value, quantity.source, quantity.mark,
                  held.about_lps_mm)  # fmt: skip


def site_sources(guide: GuideInputs, site: str) -> tuple[Source, ...]:
    """Give the sources of one site: making, movement, play, depth, guidance level, execution.

    They depend on the guide alone, and are written in the fixture's own axes. Of the movement under drilling only
    the bending of a free end is in here; `movements` gives the rest.
    """
    key = ("site", site)
    if key not in guide.remembered:
        found: list[Source] = []
        if guide.guided:
            found += [_making(guide, site), _bending(guide, site), _play(guide, site)]
        found.append(_depth(guide))
        extra = _guidance(guide, site)
        if extra is not None:
            found.append(extra)
        found.append(_execution(guide, site))
        guide.remembered[key] = tuple(found)
    known: tuple[Source, ...] = guide.remembered[key]
    return known


def movements(
    guide: GuideInputs,
    held: Held,
    sites: Sequence[str],
    axes_lps: FloatArray,
    platforms_lps_mm: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Give the guide's movement on its bearings and pins while each site is drilled.

    Covariance (s, 6, 6) and mean (s, 6) in LPS about the point that the guide is held about.
    """
    offsets = np.array([guide.sleeve(site).offset_mm for site in sites])
    return movements_under_load(
        held.compliance,
        held.about_lps_mm,
        platforms_lps_mm - offsets[:, None] * axes_lps,
        axes_lps,
        guide.value("load_axial_n"),
        guide.value("load_spread"),
        guide.value("load_lateral_n"),
    )


def _making(guide: GuideInputs, site: str) -> Source:
    sigma, tilt = guide.value("making_sigma_mm"), guide.value("making_tilt_deg")
    sleeve = guide.sleeve(site)
    covariance, mean = axial_pose(
        np.radians(tilt) ** 2, sigma**2, sigma**2, -(sleeve.gap_mm + sleeve.height_mm / 2.0)
    )
    quantity = DEFAULTS["making_sigma_mm"]
    value = f"{sigma:.2f} mm per axis, {tilt:.1f} degrees"
    return Source("making", "guide making", False, covariance, mean, value, quantity.source, quantity.mark)


def _bending(guide: GuideInputs, site: str) -> Source:
    load, spread = guide.value("load_axial_n"), guide.value("load_spread")
    covariance, mean = np.zeros((6, 6)), np.zeros(6)
    free = float(guide.free_end_mm.get(site, 0.0))
    value = f"{load:.0f} N, {len(guide.pins)} pins"
    if free > 0.0:
        bend = free_end_deflection_mm(
            load, free, guide.value("guide_width_mm"), guide.wall_mm, guide.value("guide_modulus_n_per_mm2")
        )
        # Slope at the end of a beam: one and a half times deflection over length; its side is not known.
        tilt = 1.5 * bend / free
        covariance, mean = axial_pose(tilt**2 / 2.0, 0.0, (spread * bend) ** 2, -guide.sleeve(site).offset_mm, bend)
        value += f", free end {free:.0f} mm bends {bend:.2f} mm"
    quantity = DEFAULTS["load_axial_n"]
    return Source("movement", "movement under drilling", False, covariance, mean, value, quantity.source,
                  quantity.mark)  # fmt: skip


def _play(guide: GuideInputs, site: str) -> Source:
    sleeve = guide.sleeve(site)
    half = play_half_tilt_rad(sleeve, guide.engaged_mm)
    pivot = -(sleeve.gap_mm + (guide.engaged_mm or sleeve.height_mm) / 2.0)
    lean = guide.value("play_lean")
    covariance, mean = axial_pose((lean * half) ** 2 / 2.0, 0.0, 0.0, pivot)
    value = (
        f"clearance {sleeve.clearance_mm:.2f} mm over {guide.engaged_mm or sleeve.height_mm:.1f} mm: at most "
        f"{np.degrees(half):.2f} degrees"
    )
    return Source(
        "play", "play in the sleeve", False, covariance, mean, value,
        "Apostolakis and Kourakis 2018, Int J Implant Dent 4 (geometry reproduced)", "C",
        play_tilt_rad=half, play_pivot_mm=pivot, play_lean=lean,
    )  # fmt: skip


def _depth(guide: GuideInputs) -> Source:
    sigma = guide.value("depth_stop_sigma_mm")
    debris = guide.value("debris_mm") if guide.guided else 0.0
    covariance, mean = axial_pose(0.0, 0.0, sigma**2, 0.0, -debris)
    value = f"{sigma:.2f} mm, {debris:.2f} mm shallow by debris"
    quantity = DEFAULTS["debris_mm"]
    return Source("depth", "depth", False, covariance, mean, value, quantity.source, quantity.mark)


def _guidance(guide: GuideInputs, site: str) -> Source | None:
    level = guide.guidance if guide.guided else Guidance.FREE_HAND
    if level == Guidance.FULL and guide.guidance_extra is None:
        return None
    extra = guide.guidance_extra or GUIDANCE_EXTRA[level]
    text, mark = GUIDANCE_SOURCE[level]
    if level == Guidance.PILOT and site in guide.pilot_drift:
        extra, text, mark = guide.pilot_drift[site], "computed from the grey values round the bore", "C"
    covariance, mean = spread_pose(extra, guide.value("socket_factor") if site in guide.sockets else 1.0)
    value = f"{extra.shift_sigma_mm:.2f} mm and {extra.tilt_sigma_deg:.1f} degrees per axis more than fully guided"
    return Source("guidance", f"guidance level: {level.value}", False, covariance, mean, value, text, mark)


def _execution(guide: GuideInputs, site: str) -> Source:
    spread = guide.execution or EXECUTION
    socket = site in guide.sockets
    covariance, mean = spread_pose(spread, guide.value("socket_factor") if socket else 1.0)
    value = f"{spread.shift_sigma_mm:.2f} mm and {spread.tilt_sigma_deg:.1f} degrees per axis"
    if socket:
        value += f", times {guide.value('socket_factor'):.2f} in a socket"
    text = guide.execution_source or f"what is left of {TAHMASEB_2018.source}"
    return Source("execution", "execution", False, covariance, mean, value, text, "C")


def crossed(a: FloatArray, b: FloatArray) -> FloatArray:
    """Give the cross products of rows (s, 3); for a handful of rows much quicker than numpy's own."""
    return np.stack(
        [a[:, 1] * b[:, 2] - a[:, 2] * b[:, 1], a[:, 2] * b[:, 0] - a[:, 0] * b[:, 2],
         a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]], axis=1,
    )  # fmt: skip


def lps_from_local(axes_lps: FloatArray) -> FloatArray:
    """Give (s, 6, 6) matrices that take six-vectors in the fixtures' axes to LPS.

    Site sources are alike on all sides, so any two axes across will do.
    """
    helper = np.where(np.abs(axes_lps[:, :1]) < 0.7, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    side = helper - np.einsum("si,si->s", helper, axes_lps)[:, None] * axes_lps
    side /= np.sqrt(np.einsum("si,si->s", side, side))[:, None]
    other = crossed(axes_lps, side)
    turn = np.stack([side, other, axes_lps], axis=2)
    out = np.zeros((len(axes_lps), 6, 6))
    out[:, :3, :3] = out[:, 3:, 3:] = turn
    return out
