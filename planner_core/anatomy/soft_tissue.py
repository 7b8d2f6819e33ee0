"""Thickness of the soft tissue between a matched surface scan and the bone, along the arch."""

from __future__ import annotations

import csv
import io

import numpy as np
from attrs import field, frozen
from scipy.spatial import cKDTree

from planner_core.anatomy.ridge import Ridge
from planner_core.anatomy.ridge_table import RidgeTable
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.surface import Surface

MOST_MM = 8.0
"""Thicker is not believed: the surface scan does not reach this place (mucosa is 1 to 5 mm; M)."""

MATCH_SIGMA_MM = 0.3
"""Standard deviation of the matched surface along its normal, mm, unless the match says otherwise: casts on
cone-beam scans 0.27 to 0.33 mm (Noh et al. 2011, Am J Orthod Dentofacial Orthop 140:585; S)."""

PLACES = ("crest", "cheek side 3 mm below", "tongue side 3 mm below")


@frozen(eq=False)
class SoftTissue:
    """Thickness by station.

    Parameters
    ----------
    stations_mm : array of shape (n,)
    thickness_mm : array of shape (n, 3)
        At the places of `PLACES`; nan where bone or surface scan is missing.
    sigma_mm : float
    """

    stations_mm: FloatArray = field(converter=readonly)
    thickness_mm: FloatArray = field(converter=readonly)
    sigma_mm: float

    def to_csv(self) -> str:
        """Give the table as comma-separated text."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["station_mm", *(f"{place.replace(' ', '_')}_mm" for place in PLACES), "sigma_mm"])
        for station, row in zip(self.stations_mm, self.thickness_mm, strict=True):
            cells = ["" if not np.isfinite(value) else f"{value:.2f}" for value in row]
            writer.writerow([f"{station:.1f}", *cells, f"{self.sigma_mm:.2f}"])
        return out.getvalue()


def soft_tissue_along(
    table: RidgeTable, surface_lps: Surface, match_sigma_mm: float = MATCH_SIGMA_MM
) -> SoftTissue:
    """Measure from the bone outwards, along the bone's normal, to the matched surface scan.

    Parameters
    ----------
    table : RidgeTable
        Measured with the same scan.
    surface_lps : Surface
        The surface scan in LPS (matched).

    Raises
    ------
    PlannerError
        If the surface is not in the frame of the scan.
    """
    if surface_lps.frame != "lps":
        raise PlannerError("The surface scan is not matched to the scan yet.", "Match it first.")
    centres = surface_lps.points_mm[surface_lps.triangles].mean(axis=1)
    reach = float(np.sqrt(surface_lps.face_areas_mm2.max() * 2.0)) if len(centres) else 1.0
    tree = cKDTree(centres)
    rows = [_at(row, surface_lps, tree, reach) for row in table.rows]
    bone_sigma = [row.sigma_mm for row in table.rows if np.isfinite(row.sigma_mm)]
    sigma = float(np.hypot(match_sigma_mm, np.median(bone_sigma) if bone_sigma else 0.3))
    return SoftTissue(table.stations_mm, np.array(rows).reshape(-1, len(PLACES)), sigma)


def _at(row: Ridge, surface: Surface, tree: cKDTree, reach: float) -> list[float]:
    outline = row.outline
    if outline is None or row.crest_lps_mm is None:
        return [float("nan")] * len(PLACES)
    crest = outline.to_plane(row.crest_lps_mm)[:2]
    sign = 1.0 if outline.points_mm[:, 1].mean() < crest[1] else -1.0
    out = []
    for side in (0.0, 1.0, -1.0):
        if side == 0.0:
            point, normal = crest, np.array([0.0, sign])
        else:
            wanted = (sign * (crest[1] - outline.points_mm[:, 1]) - 3.0) ** 2
            own = side * (outline.points_mm[:, 0] - crest[0]) > 0
            k = int(np.argmin(np.where(own, wanted, np.inf)))
            point, normal = outline.points_mm[k], outline.normals[k]
        start = outline.to_lps(point)
        out.append(_first_hit(start, outline.to_lps(point + normal) - start, surface, tree, reach))
    return out


def _first_hit(start: FloatArray, direction: FloatArray, surface: Surface, tree: cKDTree, reach: float) -> float:
    """Give the distance along a ray to a surface (Moeller and Trumbore 1997, M), nan beyond `MOST_MM`."""
    near = tree.query_ball_point(start + direction * MOST_MM / 2, MOST_MM / 2 + reach + 1.0)
    if not near:
        return float("nan")
    a, b, c = (surface.points_mm[surface.triangles[near, k]] for k in range(3))
    edge_b, edge_c = b - a, c - a
    across = np.cross(direction, edge_c)
    scale = np.einsum("ij,ij->i", edge_b, across)
    good = np.abs(scale) > 1e-12
    inverse = np.divide(1.0, scale, out=np.zeros_like(scale), where=good)
    offset = start - a
    u = np.einsum("ij,ij->i", offset, across) * inverse
    turned = np.cross(offset, edge_b)
    v = (turned @ direction) * inverse
    along = np.einsum("ij,ij->i", edge_c, turned) * inverse
    hit = good & (u >= 0) & (v >= 0) & (u + v <= 1) & (along > -1.0) & (along <= MOST_MM)
    return float(along[hit].min()) if hit.any() else float("nan")
