"""The truth of a sample as JSON-ready values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from phantoms.bodies import SEAT_GAP_MM
from phantoms.simulate import Simulated
from phantoms.surface_scan import SurfaceScan
from phantoms.truth import CanalTruth, SiteTruth, Truth
from planner_core.geometry.frames import FloatArray, perpendicular
from planner_core.geometry.volume import Volume

DEGRADED_SLICE_SHARE = 0.05
"""A slice is called degraded from this share of its jaw region on (our choice)."""


def rounded(values: ArrayLike, digits: int = 3) -> Any:
    """Give numbers as nested lists, rounded."""
    return np.round(np.asarray(values, dtype=np.float64), digits).tolist()


def runs_of(flags: ArrayLike) -> list[list[int]]:
    """Give [first, last] of each run of true values."""
    padded = np.concatenate([[0], np.asarray(flags, dtype=int), [0]])
    steps = np.diff(padded)
    return [
        [int(a), int(b - 1)] for a, b in zip(np.flatnonzero(steps == 1), np.flatnonzero(steps == -1), strict=True)
    ]


def fixture_points(site: SiteTruth) -> FloatArray:
    """Give points on a fixture's cylinder, shape (n, 3), LPS."""
    side = perpendicular(site.axis)
    other = np.cross(site.axis, side)
    angles = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    ring = (np.outer(np.cos(angles), side) + np.outer(np.sin(angles), other)) * site.diameter_mm / 2
    depths = np.linspace(0, site.length_mm, 101)
    wall = (site.platform_lps_mm + depths[:, None] * site.axis)[:, None] + ring[None]
    tip = site.platform_lps_mm + site.axis * site.length_mm + np.vstack([ring * r for r in np.linspace(0, 1, 9)])
    return np.vstack([wall.reshape(-1, 3), tip])


def axis_points(site: SiteTruth) -> FloatArray:
    """Give points along a fixture's axis every 0.5 mm, LPS."""
    return np.asarray(site.platform_lps_mm + np.outer(np.arange(0.0, site.length_mm + 0.1, 0.5), site.axis))


def canal_clearance_mm(site: SiteTruth, canal: CanalTruth) -> float:
    """Give the least distance from a fixture's cylinder to a canal's wall (mm)."""
    points, line = fixture_points(site), np.asarray(canal.centre_lps_mm)
    start, step = line[:-1], np.diff(line, axis=0)
    best = np.inf
    for part in np.array_split(points, 40):
        relative = part[:, None] - start[None]
        share = np.clip(np.sum(relative * step, axis=2) / np.sum(step * step, axis=1), 0, 1)
        best = min(best, float(np.linalg.norm(relative - share[..., None] * step, axis=2).min()))
    return best - canal.diameter_mm / 2


def site_values(site: SiteTruth, truth: Truth) -> dict[str, Any]:
    """Give a site with its true distances."""
    points = fixture_points(site)
    deep = points[len(points) // 20 :]
    values = {
        "iso": site.iso,
        "platform_lps_mm": rounded(site.platform_lps_mm),
        "axis_lps": rounded(site.axis, 6),
        "apex_lps_mm": rounded(site.platform_lps_mm + site.axis * site.length_mm),
        "diameter_mm": site.diameter_mm,
        "length_mm": site.length_mm,
        "canal_clearance_mm": round(float(min(canal_clearance_mm(site, canal) for canal in truth.canals)), 3),
        "least_bone_round_the_fixture_mm": round(float(-truth.bone_distance_mm(deep).max()), 3),
    }
    jaw = truth.scene.lower
    station = jaw.places[site.iso]
    values["station_mm"] = round(station, 2)
    ridge = truth.ridge_at(station)
    values["crest_lps_mm"] = rounded(ridge.crest_lps_mm)
    values["bone_height_mm"] = round(ridge.height_mm, 2)
    values["ridge_width_mm"] = {f"{d:g}": None if w is None else round(w, 2) for d, w in ridge.width_mm.items()}
    return values


def volume_values(volume: Volume) -> dict[str, Any]:
    """Give a volume's grid."""
    return {
        "shape_slices_rows_columns": list(volume.shape),
        "lps_from_index": rounded(volume.lps_from_index, 6),
        "spacing_mm": rounded(volume.spacing_mm, 6),
    }


def marker_values(truth: Truth, other: dict[str, FloatArray], other_name: str) -> list[dict[str, Any]]:
    """Give the markers in LPS and in a second frame."""
    return [
        {
            "name": marker.name,
            "diameter_mm": round(2 * marker.radius_mm, 3),
            "carrier": marker.carrier,
            "centre_lps_mm": rounded(truth.markers_lps_mm[marker.name], 4),
            other_name: rounded(other[marker.name], 4) if marker.name in other else None,
        }
        for marker in truth.scene.markers
    ]


def anatomy_values(truth: Truth) -> dict[str, Any]:
    """Give arch, canals, teeth and sites."""
    return {
        "arch_lps_mm": rounded(truth.arch_lps_mm[::4]),
        "canals": [
            {
                "side": canal.side,
                "diameter_mm": round(canal.diameter_mm, 3),
                "mental_foramen_lps_mm": rounded(canal.foramen_lps_mm),
                "centre_lps_mm": rounded(canal.centre_lps_mm[::2]),
            }
            for canal in truth.canals
        ],
        "teeth": [
            {
                "iso": tooth.iso,
                "restored": tooth.restored,
                "axis_lps": rounded(tooth.axis, 5),
                "cervix_lps_mm": rounded(tooth.cervix_lps_mm),
                "crown_tip_lps_mm": rounded(tooth.crown_tip_lps_mm),
                "apexes_lps_mm": rounded(tooth.apexes_lps_mm),
            }
            for tooth in truth.teeth
        ],
        "sites": [site_values(site, truth) for site in truth.sites],
    }


def head_values(version: str, engine: str, settings: dict[str, Any]) -> dict[str, Any]:
    """Give what stands at the top of every truth file."""
    return {
        "version": version,
        "engine": engine,
        "note": "Invented scenario, simulated. LPS mm unless the name says otherwise. Grey values are not HU.",
        "settings": settings,
    }


def bridge_values(
    version: str, engine: str, result: Simulated, scan: SurfaceScan, settings: dict[str, Any]
) -> dict[str, Any]:
    """Give everything known of the ceramic bridge sample."""
    truth, pose = result.truth, scan.lps_from_surface
    assert result.slice_scores is not None
    return {
        **head_values(version, engine, settings),
        "volume": volume_values(result.volume),
        "volume_from_surface": rounded(pose.matrix, 9),
        "surface_frame": pose.source,
        "markers": marker_values(truth, scan.markers_surface_mm, "centre_surface_mm"),
        **anatomy_values(truth),
        "restorations": [
            {
                "kind": str(body.kind),
                "material": body.material.name.lower(),
                "centre_lps_mm": rounded(body.centre_lps_mm),
                "volume_mm3": round(body.volume_mm3, 1),
                "iso": list(body.teeth),
            }
            for body in truth.bodies
        ],
        "slice_scores": rounded(result.slice_scores, 4),
        "degraded_slice_share": DEGRADED_SLICE_SHARE,
        "degraded_slices": runs_of(result.slice_scores >= DEGRADED_SLICE_SHARE),
        "degraded_near_sites": [
            {
                "iso": site.iso,
                "within_3_mm_of_the_platform": round(result.degraded_share_near(site.platform_lps_mm, 3.0), 3),
                "within_2_mm_of_the_axis": round(result.degraded_share_near(axis_points(site), 2.0), 3),
            }
            for site in truth.sites
        ],
        "degraded_definition": "noise-free grey value with minus without restorations above 0.15 of the "
        "bone-to-soft-tissue contrast; restorations left out; score = share of the jaw region (hard tissue + 4 mm)",
    }


def dual_values(
    version: str,
    engine: str,
    patient: Simulated,
    prosthesis: Simulated,
    settings: tuple[dict[str, Any], dict[str, Any]],
) -> dict[str, Any]:
    """Give everything known of the dual scan sample; ``prosthesis`` numbers are in the second scan's own LPS."""
    first, second = patient.truth, prosthesis.truth
    moved = first.scene.lps_from_scene.after(second.scene.lps_from_scene.inverse())
    return {
        **head_values(version, engine, settings[0]),
        "settings_prosthesis": settings[1],
        "volume": volume_values(patient.volume),
        "volume_prosthesis": volume_values(prosthesis.volume),
        "patient_from_prosthesis": rounded(moved.matrix, 9),
        "markers": marker_values(first, second.markers_lps_mm, "centre_prosthesis_lps_mm"),
        "seat_gap_mm": SEAT_GAP_MM,
        **anatomy_values(first),
    }
