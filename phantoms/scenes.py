"""Ready mouths: the shipped scenarios and random ones by seed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from attrs import evolve

from phantoms import restorations as build
from phantoms.bodies import Body
from phantoms.jaw import Jaw, JawShape, build_jaw
from phantoms.materials import Material
from phantoms.prosthesis import acrylic_prosthesis, prosthesis_markers
from phantoms.scene import Marker, Scene, Site
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, rotation_about, unit

SAMPLE_SEED = 36_46
"""Seed of the shipped ceramic bridge scenario."""
DUAL_SEED = 33_43
"""Seed of the shipped dual scan scenario."""

Restorations = Literal["ceramic", "mixed", "none"]
Upper = Literal["apart", "contact", "none"]


def head_pose(rng: np.random.Generator, tilt_deg: float, shift_mm: float) -> RigidTransform:
    """Give a head's place in the scanner: turned up to about `tilt_deg`, moved up to about `shift_mm`."""
    axis = unit(rng.standard_normal(3) * (1.0, 0.8, 0.6))
    rotation = rotation_about(axis, np.radians(tilt_deg * rng.uniform(0.3, 1.0)))
    return RigidTransform.from_parts(rotation, rng.uniform(-shift_mm, shift_mm, 3), "scene", "lps")


def site_on_ridge(
    jaw: Jaw, iso: int, diameter_mm: float = 4.0, length_mm: float = 10.0, sink_mm: float = 0.8
) -> Site:
    """Plan a fixture in the middle of the ridge of a missing tooth, along half of the bone's own lean."""
    station = jaw.places[iso]
    value = jaw.sections.value
    crest_z, crest_t = value("crest_z", station), value("crest_t", station)
    depth = 0.5 * (crest_z - value("base_z", station))
    outward = np.append(jaw.curve.at(station, 1.0) - jaw.curve.at(station, 0.0), 0.0)
    lean = (value("middle_t", station) - crest_t) / depth
    axis = unit(np.array([0.0, 0.0, -1.0]) + outward * 0.5 * lean)
    platform = np.append(jaw.curve.at(station, crest_t), crest_z) + axis * sink_mm
    return Site(iso, platform, axis, diameter_mm, length_mm)


def ceramic_bridge_sample() -> Scene:
    """Give the shipped scenario: a zirconia bridge from 45 to 35, 36 and 46 missing, markers. Invented."""
    rng = np.random.default_rng(SAMPLE_SEED)
    shape = JawShape(
        missing=(36, 46, 31, 41, 32, 42),
        ridge_loss_mm=1.2,
        ridge_half_mm=4.5,
        canal_height_mm=7.6,
        canal_raise_mm=(3.0, 0.4),
    )
    lower = build_jaw(shape, rng)
    upper = build_jaw(JawShape(upper=True), rng)
    isos = (45, 44, 43, 42, 41, 31, 32, 33, 34, 35)
    bodies = build.bridge(lower, isos, Material.ZIRCONIA, veneered=True)
    markers = (
        build.marker_on_crown(lower, 43, "M1", 1.0, 0.45, 0.9),
        build.marker_on_crown(lower, 34, "M2", 1.0, 0.40, 0.9),
        build.marker_on_mucosa(lower, lower.places[37] + 8.2, 10.0, "M3", 0.9),
        build.marker_on_mucosa(lower, lower.places[47] - 8.2, 5.0, "M4", 0.9),
        build.marker_on_mucosa(lower, lower.places[36] + 1.5, 75.0, "M5", 1.0),
        build.marker_on_mucosa(lower, lower.places[46] - 1.0, -70.0, "M6", 1.0),
        build.marker_on_mucosa(lower, lower.places[46] + 2.5, 62.0, "M7", 0.8),
    )
    sites = (site_on_ridge(lower, 36), site_on_ridge(lower, 46))
    # The head leans to the right: the right side of the bridge lies level with the ridge of 36.
    rotation = rotation_about((0, 1, 0), np.radians(-6.5)) @ rotation_about((1, 0, 0), np.radians(4.0))
    rotation = rotation @ rotation_about((0, 0, 1), np.radians(3.0))
    pose = RigidTransform.from_parts(rotation, (1.5, -24.0, 12.0), "scene", "lps")
    return Scene("lower_bridge", SAMPLE_SEED, lower, pose, upper, bodies, markers, None, sites, opening_mm=9.0)


def dual_scan_sample() -> Scene:
    """Give the second scenario: a thin edentulous ridge under an acrylic prosthesis with markers. Invented."""
    return edentulous_mouth(DUAL_SEED, ridge_half_mm=2.6, tilt_deg=4.0)


def prosthesis_alone(scene: Scene, seed: int | None = None) -> Scene:
    """Give the second scan of a dual scan: the prosthesis with its markers on a holder of air, elsewhere."""
    if scene.prosthesis is None:
        raise PlannerError("This mouth has no prosthesis to scan alone.", "Use an edentulous one.")
    rng = np.random.default_rng([scene.seed if seed is None else seed, 8])
    rotation = rotation_about(unit(rng.standard_normal(3)), np.radians(rng.uniform(4.0, 14.0)))
    pose = RigidTransform.from_parts(rotation, rng.uniform(-6, 6, 3), "scene", "lps")
    return evolve(scene, name=f"{scene.name}_alone", lps_from_scene=pose, head=False, bodies=(), sites=())


def edentulous_mouth(
    seed: int,
    *,
    ridge_half_mm: float | None = None,
    tilt_deg: float = 8.0,
    markers: int = 8,
    with_prosthesis: bool = True,
) -> Scene:
    """Give an edentulous lower jaw with a thin ridge, under a radiolucent prosthesis that carries markers.

    Parameters
    ----------
    seed : int
    ridge_half_mm : float, optional
        Half width of the ridge below its crest; random between 2.0 and 3.4 mm when not given.
    tilt_deg : float
    markers : int
        Balls in the prosthesis.
    with_prosthesis : bool
    """
    rng = np.random.default_rng([seed, 2])
    shape = _random_shape(rng, ())
    half = float(rng.uniform(2.0, 3.4)) if ridge_half_mm is None else ridge_half_mm
    shape = evolve(shape, edentulous=True, ridge_loss_mm=float(rng.uniform(3.0, 6.0)), ridge_half_mm=half)
    lower = build_jaw(shape, rng)
    prosthesis = acrylic_prosthesis(lower) if with_prosthesis else None
    balls = prosthesis_markers(lower, markers) if with_prosthesis else ()
    # Four fixtures in front of the mental foramina.
    sites = tuple(site_on_ridge(lower, iso, 3.5, 10.0, 1.6) for iso in (34, 32, 42, 44))
    pose = head_pose(rng, tilt_deg, 8.0)
    return Scene("edentulous", seed, lower, pose, None, (), balls, prosthesis, sites, opening_mm=14.0)


def random_mouth(
    seed: int,
    *,
    restorations: Restorations = "ceramic",
    missing: Sequence[int] | None = None,
    upper: Upper = "apart",
    markers: bool = True,
    tilt_deg: float = 12.0,
    shift_mm: float = 15.0,
    edentulous: bool = False,
    sinuses: bool = False,
) -> Scene:
    """Give a random mouth; the same seed and options give the same one.

    Parameters
    ----------
    seed : int
    restorations : str
        ``"ceramic"``: zirconia crowns and a bridge, now and then a full arch; ``"mixed"``: crowns of zirconia or
        metal, fillings, posts, root fillings, fixtures; ``"none"``: natural teeth only.
    missing : sequence of int, optional
        Missing lower teeth (ISO 3950); one to three random ones when not given. The first and last of them that
        have a healed ridge become planned sites.
    upper : str
        ``"apart"`` (cotton rolls), ``"contact"`` (teeth closed) or ``"none"``.
    markers : bool
        Five to eight balls on teeth, ceramic and mucosa.
    tilt_deg, shift_mm : float
        Bounds of the head's place.
    edentulous : bool
        No teeth at all; see `edentulous_mouth`.
    sinuses : bool
        Give the upper jaw its sinuses and nose, for scans of the upper jaw (``centre_scene_mm`` near
        ``(0, 28, opening + 20)``).
    """
    if restorations not in ("ceramic", "mixed", "none") or upper not in ("apart", "contact", "none"):
        raise PlannerError(f"Unknown options {restorations!r}, {upper!r} for a random mouth.", "See random_mouth.")
    if edentulous:
        return edentulous_mouth(seed, tilt_deg=tilt_deg)
    rng = np.random.default_rng([seed, 1])
    gaps = tuple(missing) if missing is not None else _random_gaps(rng)
    lower = build_jaw(_random_shape(rng, gaps), rng)
    opposing = None
    if upper != "none":
        floor = tuple(np.random.default_rng([seed, 6]).uniform(5.0, 12.0, 2)) if sinuses else None
        opposing = build_jaw(evolve(_random_shape(rng, (), upper=True, like=lower), sinus_floor_mm=floor), rng)
    bodies = _random_restorations(lower, gaps, restorations, rng)
    if opposing is not None and restorations == "mixed":
        bodies += _random_singles(opposing, rng, int(rng.integers(0, 4)))
    balls = _random_markers(lower, bodies, rng) if markers else ()
    sites = tuple(
        site_on_ridge(lower, iso, float(rng.choice([3.5, 4.0, 4.5])), float(rng.choice([8.0, 10.0, 12.0])))
        for iso in gaps
        if not any(iso in body.teeth for body in bodies)
    )
    opening = float(rng.uniform(4.0, 12.0)) if upper != "contact" else -1.2
    pose = head_pose(rng, tilt_deg, shift_mm)
    return Scene(f"mouth_{seed}", seed, lower, pose, opposing, bodies, balls, None, sites, opening_mm=opening)


def _random_gaps(rng: np.random.Generator) -> tuple[int, ...]:
    candidates = np.array([36, 46, 35, 45, 37, 47, 34, 44])
    weights = np.array([5, 5, 2, 2, 1, 1, 1, 1], dtype=float)
    count = int(rng.integers(1, 4))
    return tuple(int(n) for n in rng.choice(candidates, count, replace=False, p=weights / weights.sum()))


def _random_shape(
    rng: np.random.Generator, missing: tuple[int, ...], upper: bool = False, like: Jaw | None = None
) -> JawShape:
    """Vary what differs from jaw to jaw; the spreads are our own."""

    def about(middle: float, share: float) -> float:
        return float(middle * (1 + share * np.clip(rng.standard_normal(), -2, 2)))

    if like is not None:
        # The opposing arch follows the lower one, so that the teeth meet.
        width = float(np.ptp(like.curve.points_mm[:, 0]) / 84.0)
        return JawShape(upper=upper, width_scale=width, depth_scale=about(1.0, 0.02), missing=missing)
    return JawShape(
        upper=upper,
        width_scale=about(1.0, 0.05),
        depth_scale=about(1.0, 0.05),
        skew=about(1.0, 0.015) - 1.0,
        bone_width_scale=about(1.0, 0.08),
        bone_height_scale=about(1.0, 0.07),
        missing=missing,
        third_molars=bool(rng.random() < 0.2),
        ridge_loss_mm=about(1.8, 0.35),
        ridge_half_mm=about(4.0, 0.14),
        cortex_crest_mm=about(0.8, 0.25),
        cortex_base_mm=about(2.5, 0.2),
        sponge=about(0.24, 0.35),
        gum_mm=about(1.9, 0.2),
        canal_diameter_mm=about(2.8, 0.12),
        canal_height_mm=about(8.0, 0.14),
        canal_raise_mm=(float(rng.normal(0.6, 1.0)), float(rng.normal(0.6, 1.0))),
        cheek_gap_mm=about(2.6, 0.4),
        tongue_gap_mm=about(2.2, 0.4),
    )


def _random_restorations(
    jaw: Jaw, gaps: tuple[int, ...], kind: Restorations, rng: np.random.Generator
) -> tuple[Body, ...]:
    if kind == "none":
        return ()
    if kind == "mixed":
        return _random_singles(jaw, rng, int(rng.integers(2, 7)), gaps)
    veneered = bool(rng.random() < 0.6)
    order = [tooth.iso for tooth in jaw.teeth]
    if rng.random() < 0.4:
        return build.bridge(jaw, [i for i in order if i % 10 <= 5 and i not in gaps], Material.ZIRCONIA, veneered)
    present = [iso for iso in order if iso not in gaps]
    bodies: tuple[Body, ...] = ()
    if rng.random() < 0.6:
        start = int(rng.integers(0, len(present) - 3))
        span = present[start : start + int(rng.integers(3, 6))]
        bodies += build.bridge(jaw, span, Material.ZIRCONIA, veneered)
        present = [iso for iso in present if iso not in span]
    for iso in rng.choice(present, int(rng.integers(1, 4)), replace=False):
        bodies += (build.crown(jaw, int(iso), Material.ZIRCONIA),)
    return bodies


def _random_singles(jaw: Jaw, rng: np.random.Generator, count: int, gaps: tuple[int, ...] = ()) -> tuple[Body, ...]:
    """Give restorations of single teeth, of every kind."""
    present = [tooth.iso for tooth in jaw.teeth if tooth.present]
    bodies: tuple[Body, ...] = ()
    for iso in rng.choice(present, min(count, len(present)), replace=False):
        iso = int(iso)
        draw = rng.random()
        if draw < 0.25:
            bodies += (build.crown(jaw, iso, Material.ZIRCONIA),)
        elif draw < 0.45:
            bodies += (build.crown(jaw, iso, Material.CAST_METAL),)
        elif draw < 0.65:
            bodies += (build.filling(jaw, iso, Material.AMALGAM, rng),)
        elif draw < 0.80:
            bodies += (build.filling(jaw, iso, Material.COMPOSITE, rng),)
        else:
            bodies += (build.root_filling(jaw, iso), build.crown(jaw, iso, Material.ZIRCONIA))
            if rng.random() < 0.5:
                bodies += (build.post(jaw, iso),)
    if len(gaps) > 1 and rng.random() < 0.5:
        bodies += (build.fixture(jaw, gaps[-1]),)
        if rng.random() < 0.6:
            bodies += (build.crown(jaw, gaps[-1], Material.ZIRCONIA),)
    return bodies


def _random_markers(jaw: Jaw, bodies: Sequence[Body], rng: np.random.Generator) -> tuple[Marker, ...]:
    """Put balls on both sides and in front, on crowns and on mucosa, at different heights."""
    ceramic = {iso for body in bodies for iso in body.teeth if body.material == Material.ZIRCONIA}
    shown = [tooth.iso for tooth in jaw.teeth if tooth.present or tooth.iso in ceramic]
    out: list[Marker] = []
    # One in each third of the arch and one behind each last tooth: never all on a line.
    for low, high in ((-34.0, -12.0), (-10.0, 10.0), (12.0, 34.0)):
        near = [iso for iso in shown if low <= jaw.places[iso] <= high]
        if near:
            iso = int(rng.choice(near))
            carrier = "ceramic" if iso in ceramic else "tooth"
            radius, height = float(rng.uniform(0.75, 1.0)), float(rng.uniform(0.35, 0.65))
            out.append(build.marker_on_crown(jaw, iso, f"M{len(out) + 1}", 1.0, height, radius, carrier))
    ends = jaw.places[max(shown, key=lambda i: jaw.places[i])], jaw.places[min(shown, key=lambda i: jaw.places[i])]
    for end, sign in zip(ends, (1.0, -1.0), strict=True):
        radius, angle = float(rng.uniform(0.75, 1.0)), float(rng.uniform(-15, 15))
        out.append(build.marker_on_mucosa(jaw, end + sign * 8.2, angle, f"M{len(out) + 1}", radius))
    for iso, place in jaw.places.items():
        if not jaw.tooth(iso).present and iso not in ceramic and len(out) < 8:
            angle = float(rng.choice([-1, 1]) * rng.uniform(55, 80))
            out.append(
                build.marker_on_mucosa(jaw, place + float(rng.uniform(-2, 2)), angle, f"M{len(out) + 1}", 0.9)
            )
    return tuple(out)
