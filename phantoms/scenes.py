"""Ready mouths: the shipped scenario and random ones by seed."""

from __future__ import annotations

import numpy as np

from phantoms import restorations as build
from phantoms.jaw import Jaw, JawShape, build_jaw
from phantoms.materials import Material
from phantoms.scene import Scene, Site
from planner_core.geometry.frames import RigidTransform, rotation_about, unit

SAMPLE_SEED = 36_46
"""Seed of the shipped ceramic bridge scenario."""


def head_pose(rng: np.random.Generator, tilt_deg: float, shift_mm: float) -> RigidTransform:
    """Give a head's place in the scanner: turned up to about `tilt_deg`, moved up to about `shift_mm`."""
    axis = unit(rng.standard_normal(3) * (1.0, 0.6, 0.6))
    rotation = rotation_about(axis, np.radians(tilt_deg * rng.uniform(0.3, 1.0)))
    return RigidTransform.from_parts(rotation, rng.uniform(-shift_mm, shift_mm, 3), "scene", "lps")


def site_on_ridge(jaw: Jaw, iso: int, diameter_mm: float = 4.0, length_mm: float = 10.0, sink_mm: float = 0.8) -> Site:
    """Plan a fixture in the middle of the ridge of a missing tooth, along the bone's own lean."""
    station = jaw.places[iso]
    value = jaw.sections.value
    crest_z, crest_t, middle_t = value("crest_z", station), value("crest_t", station), value("middle_t", station)
    depth = 0.5 * (crest_z - value("base_z", station))
    outward = np.append(jaw.curve.at(station, 1.0) - jaw.curve.at(station, 0.0), 0.0)
    # Half of the bone's lean: between the ridge's axis and the direction of chewing.
    axis = unit(np.array([0.0, 0.0, -1.0]) + outward * 0.5 * (middle_t - crest_t) / depth)
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


