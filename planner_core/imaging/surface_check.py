"""What is wrong with a surface: holes, branching edges, flipped faces, loose bodies; and where."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.surface import Surface

SMALL_BODY_SHARE = 0.005
"""Bodies below this share of the triangles are crumbs of the scan (our choice)."""


@frozen(eq=False)
class Hole:
    """One closed rim of open edges."""

    centre_mm: FloatArray = field(converter=readonly)
    rim_mm: float
    edges_mm: FloatArray = field(converter=readonly)
    """Shape (k, 2, 3)."""

    @property
    def points_mm(self) -> FloatArray:
        """Corners of the rim, shape (k, 3)."""
        return np.unique(self.edges_mm.reshape(-1, 3), axis=0)


@frozen(eq=False)
class SurfaceReport:
    """What `check_surface` found, in the frame of the surface.

    Parameters
    ----------
    bodies : tuple of int
        Triangles of each connected body, largest first.
    holes : tuple of Hole
        Longest rim first; an open scan has its own outer rim as the first.
    branching_mm : array of shape (k, 2, 3)
        Edges at which more than two triangles meet.
    flipped_edges_mm : array of shape (k, 2, 3)
        Edges whose two triangles face opposite ways.
    closed : bool
        No open and no branching edge.
    volume_mm3 : float or None
        Enclosed volume of a closed, consistently oriented surface.
    inward : bool
        Closed, and its triangles face inward.
    extent_mm : float
        Longest side of the box round the surface.
    """

    bodies: tuple[int, ...]
    holes: tuple[Hole, ...]
    branching_mm: FloatArray = field(converter=readonly)
    flipped_edges_mm: FloatArray = field(converter=readonly)
    closed: bool
    volume_mm3: float | None
    inward: bool
    extent_mm: float

    @property
    def flipped_mm(self) -> FloatArray:
        """Middles of the flipped edges, shape (k, 3)."""
        return np.asarray(self.flipped_edges_mm.mean(axis=1))

    @property
    def watertight(self) -> bool:
        """Closed and consistently oriented."""
        return self.closed and len(self.flipped_mm) == 0


def check_surface(surface: Surface) -> SurfaceReport:
    """Look at every edge of a surface with merged corners."""
    points = surface.points_mm
    triangles = surface.triangles.astype(np.int64)
    tails = triangles.reshape(-1)
    heads = np.roll(triangles, -1, axis=1).reshape(-1)
    low, high = np.minimum(tails, heads), np.maximum(tails, heads)
    keys = low * len(points) + high
    edges, first, inverse, uses = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
    forward = np.bincount(inverse, weights=(tails < heads)).astype(np.int64)
    open_edges = uses == 1
    branching = uses > 2
    flipped = (uses == 2) & (forward != 1)
    ends = np.stack([edges // len(points), edges % len(points)], axis=1)
    directed = np.stack([tails[first[open_edges]], heads[first[open_edges]]], axis=1)
    closed = not open_edges.any() and not branching.any()
    volume = _volume(surface) if closed and not flipped.any() else None
    return SurfaceReport(
        bodies=_bodies(triangles, len(points)),
        holes=_holes(points, directed),
        branching_mm=points[ends[branching]],
        flipped_edges_mm=points[ends[flipped]],
        closed=bool(closed),
        volume_mm3=None if volume is None else abs(volume),
        inward=volume is not None and volume < 0,
        extent_mm=float(np.ptp(points, axis=0).max()),
    )


def _bodies(triangles: NDArray[np.int64], count: int) -> tuple[int, ...]:
    rows = np.concatenate([triangles[:, 0], triangles[:, 1]])
    columns = np.concatenate([triangles[:, 1], triangles[:, 2]])
    graph = coo_array((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(count, count))
    labels = connected_components(graph, directed=False)[1]
    sizes = np.bincount(labels[triangles[:, 0]])
    return tuple(int(size) for size in sorted(sizes[sizes > 0], reverse=True))


def _holes(points: FloatArray, directed: NDArray[np.int64]) -> tuple[Hole, ...]:
    """Join open edges into rims: parts of the open edges that hang together."""
    if len(directed) == 0:
        return ()
    used, compact = np.unique(directed, return_inverse=True)
    compact = compact.reshape(directed.shape)
    graph = coo_array(
        (np.ones(len(compact), dtype=np.int8), (compact[:, 0], compact[:, 1])), shape=(len(used), len(used))
    )
    count, labels = connected_components(graph, directed=False)
    lengths = np.linalg.norm(points[directed[:, 0]] - points[directed[:, 1]], axis=1)
    rims = np.bincount(labels[compact[:, 0]], weights=lengths, minlength=count)
    of_edge = labels[compact[:, 0]]
    members = np.split(np.argsort(of_edge, kind="stable"), np.cumsum(np.bincount(of_edge, minlength=count))[:-1])
    holes = [
        Hole(points[np.unique(directed[rim])].mean(axis=0), float(length), points[directed[rim]])
        for rim, length in zip(members, rims, strict=True)
    ]
    return tuple(sorted(holes, key=lambda hole: -hole.rim_mm))


def _volume(surface: Surface) -> float:
    """Enclosed volume by the divergence theorem; negative if the triangles face inward."""
    centred = surface.points_mm - surface.points_mm.mean(axis=0)
    a, b, c = (centred[surface.triangles[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def findings_of_report(report: SurfaceReport) -> tuple[Finding, ...]:
    """Say in words what is wrong."""
    findings: list[Finding] = []
    if report.holes:
        outer = report.holes[0].rim_mm
        rest = len(report.holes) - 1
        more = f" and {rest} more, the longest {report.holes[1].rim_mm:.0f} mm round" if rest else ""
        text = f"The surface is open: one rim of {outer:.0f} mm{more}."
        findings.append(Finding(Severity.NOTE, "holes", text, f"{len(report.holes)} rims"))
    if len(report.branching_mm):
        text = (
            f"At {_edges(len(report.branching_mm))} more than two triangles meet; a guide cannot be built on that."
        )
        findings.append(
            Finding(Severity.WARNING, "branching-edges", text, _place(report.branching_mm[0].mean(axis=0)))
        )
    if len(report.flipped_mm):
        text = (
            f"Along {_edges(len(report.flipped_mm))} the surface turns inside out; part of it faces the wrong way."
        )
        findings.append(Finding(Severity.WARNING, "flipped-faces", text, _place(report.flipped_mm[0])))
    if len(report.bodies) > 1:
        crumbs = sum(size < SMALL_BODY_SHARE * sum(report.bodies) for size in report.bodies)
        tail = "" if not crumbs else f", {crumbs} of them crumbs" if crumbs > 1 else ", one of them a crumb"
        text = f"The surface consists of {len(report.bodies)} separate bodies{tail}."
        findings.append(Finding(Severity.NOTE, "several-bodies", text))
    return tuple(findings)


def _edges(count: int) -> str:
    return f"{count} edge{'s' * (count > 1)}"


def _place(point: FloatArray) -> str:
    return f"({point[0]:.1f}, {point[1]:.1f}, {point[2]:.1f}) mm"
