"""The faulty places of a surface, each with what is needed to draw it: where, from which side, which edges.

`surface_check` finds the faults; here they are gathered into places that a person can look at one by one.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.surface import Surface
from planner_core.imaging.surface_check import SMALL_BODY_SHARE, SurfaceReport

SAME_PLACE_MM = 2.0
"""Faulty edges closer than this are one place (our choice: about the width of a fissure)."""

LEAST_REACH_MM = 5.0
"""How far round a place is shown, at least (our choice: a tooth)."""

MOST_PLACES = 24
"""Places that are told apart, at most; the largest come first (our choice: nobody looks at more)."""

MOST_PATCH_TRIANGLES = 12_000
"""Triangles of one picture, at most (our choice: drawn in a few hundredths of a second)."""

AMBIENT = 0.25
"""Brightness of a triangle seen edge on (our choice)."""

WORDS = {
    "rim": "Outer rim",
    "hole": "Hole",
    "branching": "Edges where more than two triangles meet",
    "flipped": "Faces turned inside out",
    "body": "Loose body",
}
"""What each kind of place is called."""


@frozen(eq=False)
class FaultPlace:
    """One faulty place.

    Parameters
    ----------
    kind : str
        A key of `WORDS`.
    text : str
        What it is, with its size.
    centre_mm : array of shape (3,)
        In the frame of the surface.
    edges_mm : array of shape (k, 2, 3)
        The edges to be marked.
    reach_mm : float
        Half the side of a picture that shows all of it.
    """

    kind: str
    text: str
    centre_mm: FloatArray = field(converter=readonly)
    edges_mm: FloatArray = field(converter=readonly)
    reach_mm: float


@frozen(eq=False)
class Patch:
    """A part of a surface as it is seen, ready to be painted from the first triangle to the last.

    Parameters
    ----------
    corners : array of shape (n, 3, 2)
        In units of half the picture's side, x to the right, y up; farthest first.
    shades : array of shape (n,)
        Brightness 0..1.
    backs : bool array of shape (n,)
        Triangles that are seen from behind.
    edges : array of shape (k, 2, 2)
        The marked edges.
    """

    corners: FloatArray = field(converter=readonly)
    shades: FloatArray = field(converter=readonly)
    backs: NDArray[np.bool_]
    edges: FloatArray = field(converter=readonly)


def fault_places(surface: Surface, report: SurfaceReport) -> tuple[FaultPlace, ...]:
    """Gather the faults of a surface into places, the gravest kind first, the largest of a kind first."""
    places = [
        *_edge_places("branching", report.branching_mm),
        *_edge_places("flipped", report.flipped_edges_mm),
        *_rims(report),
        *_loose_bodies(surface),
    ]
    return tuple(places[:MOST_PLACES])


def _edge_places(kind: str, edges: FloatArray) -> list[FaultPlace]:
    if len(edges) == 0:
        return []
    middles = edges.mean(axis=1)
    pairs = cKDTree(middles).query_pairs(SAME_PLACE_MM, output_type="ndarray")
    graph = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(len(edges),) * 2)
    count, labels = connected_components(graph, directed=False)
    groups = sorted((edges[labels == k] for k in range(count)), key=len, reverse=True)
    return [_place(kind, f"{WORDS[kind]}: {len(group)} edge{'s' * (len(group) > 1)}", group) for group in groups]


def _rims(report: SurfaceReport) -> list[FaultPlace]:
    """Give the holes before the longest rim: an open scan has that one by nature."""
    found = []
    for number, hole in enumerate(report.holes):
        kind = "rim" if number == 0 and _is_outer(report) else "hole"
        found.append(_place(kind, f"{WORDS[kind]}, {hole.rim_mm:.0f} mm round", hole.edges_mm))
    return sorted(found, key=lambda place: place.kind == "rim")


def _is_outer(report: SurfaceReport) -> bool:
    """Whether the longest rim goes round the whole scan, so that it is no hole in it."""
    return len(report.holes) > 0 and report.holes[0].rim_mm > report.extent_mm


def _loose_bodies(surface: Surface) -> list[FaultPlace]:
    triangles = surface.triangles.astype(np.int64)
    rows, columns = triangles[:, [0, 1]].reshape(-1), triangles[:, [1, 2]].reshape(-1)
    count = len(surface.points_mm)
    graph = coo_array((np.ones(len(rows), np.int8), (rows, columns)), shape=(count, count))
    labels = connected_components(graph, directed=False)[1][triangles[:, 0]]
    names, sizes = np.unique(labels, return_counts=True)
    found = []
    for name in names[np.argsort(-sizes, kind="stable")][1 : MOST_PLACES + 1]:
        own = triangles[labels == name]
        crumb = ", a crumb" if len(own) < SMALL_BODY_SHARE * len(triangles) else ""
        edges = surface.points_mm[np.concatenate([own[:, [0, 1]], own[:, [1, 2]], own[:, [2, 0]]])]
        text = f"{WORDS['body']}: {len(own)} triangle{'s' * (len(own) > 1)}{crumb}"
        found.append(_place("body", text, edges))
    return found


def _place(kind: str, text: str, edges: FloatArray) -> FaultPlace:
    points = edges.reshape(-1, 3)
    centre = (points.min(axis=0) + points.max(axis=0)) / 2.0
    away = float(np.linalg.norm(points - centre, axis=1).max())
    return FaultPlace(kind, text, centre, edges, max(LEAST_REACH_MM, 1.25 * away))


def patch_of(surface: Surface, place: FaultPlace) -> Patch:
    """Give what is seen of a surface round a place, looked at along the mean of its normals there."""
    corners = surface.points_mm[surface.triangles]
    away = np.abs(corners.mean(axis=1) - place.centre_mm).max(axis=1)
    near = np.flatnonzero(away < 1.5 * place.reach_mm)
    step = -(-len(near) // MOST_PATCH_TRIANGLES)
    near = near[:: max(step, 1)]
    normals = surface.face_normals[near]
    weights = surface.face_areas_mm2[near]
    look = _unit((normals * weights[:, np.newaxis]).sum(axis=0), np.array([0.0, 0.0, 1.0]))
    return seen_along(corners[near], normals, look, place.edges_mm, place.centre_mm, place.reach_mm)


def whole_patch(small: Surface, places: tuple[FaultPlace, ...]) -> tuple[Patch, FloatArray]:
    """Give the whole of a (reduced) surface as it is seen, and where the places are in it, shape (n, 2)."""
    low, high = small.points_mm.min(axis=0), small.points_mm.max(axis=0)
    centre, reach = (low + high) / 2.0, 0.55 * float((high - low).max())
    areas = small.face_areas_mm2[:, np.newaxis]
    look = _unit((small.face_normals * areas).sum(axis=0), np.array([0.0, 0.0, 1.0]))
    corners = small.points_mm[small.triangles]
    patch = seen_along(corners, small.face_normals, look, np.empty((0, 2, 3)), centre, reach)
    axes = _axes(look)
    at = [(place.centre_mm - centre) @ axes[:2].T / reach for place in places]
    return patch, np.array(at).reshape(-1, 2)


def seen_along(
    corners: FloatArray,
    normals: FloatArray,
    look: FloatArray,
    edges: FloatArray,
    centre: FloatArray,
    reach_mm: float,
) -> Patch:
    """Project triangles, shape (n, 3, 3), looked at from the side that `look` points to."""
    axes = _axes(look)
    turned = (corners - centre) @ axes.T
    order = np.argsort(turned[:, :, 2].mean(axis=1), kind="stable")
    facing = normals @ look
    shades = AMBIENT + (1.0 - AMBIENT) * facing**2
    marked = (edges - centre) @ axes.T
    return Patch(turned[order, :, :2] / reach_mm, shades[order], facing[order] < 0.0, marked[:, :, :2] / reach_mm)


def _axes(look: FloatArray) -> FloatArray:
    """Give right, up and towards the eye as rows; up is as near to the frame's third axis as can be."""
    up = np.array([0.0, 0.0, 1.0]) if abs(look[2]) < 0.9 else np.array([0.0, 1.0, 0.0])
    right = _unit(np.cross(up, look), np.array([1.0, 0.0, 0.0]))
    return np.stack([right, np.cross(look, right), look])


def _unit(vector: FloatArray, otherwise: FloatArray) -> FloatArray:
    length = float(np.linalg.norm(vector))
    return np.asarray(vector / length if length > 1e-9 else otherwise)
