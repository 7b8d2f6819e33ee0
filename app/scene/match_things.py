"""What the 3D view shows of the match: maps on the surface, painted regions, markers, the place looked at."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonDataModel import vtkPolyData

from app.scene import things
from app.scene.surface_map import (
    Contours,
    SurfaceMap,
    contour_segments,
    distance_colours,
    error_colours,
    vertex_normals,
)
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.registration.kept import KeptMarker

LINE_COLOUR, LABEL_COLOUR = "#0b1116", "#0b1116"
IN_COLOUR, OUT_COLOUR = "#56B4E9", "#3b4148"
REGION_LABEL_LIFT_MM = 5.0


@frozen(eq=False)
class MapBody:
    """A coloured surface made ready by a job."""

    data: vtkPolyData
    contours: tuple[Contours, ...]


def prepared_map(points: FloatArray, triangles: AnyArray, values: FloatArray, look: str) -> MapBody:
    """Make a map ready to be drawn; touches no window."""
    make = distance_colours if look == "distance" else error_colours
    return _body(points, triangles, make(points, triangles, values))


def prepared_region(points: FloatArray, triangles: AnyArray, states: AnyArray, plain: str) -> MapBody:
    """Make a surface ready with what is painted in and out on it."""
    colours = np.empty((len(points), 3), np.uint8)
    for state, colour in ((0, plain), (1, IN_COLOUR), (-1, OUT_COLOUR)):
        colours[states == state] = [round(255 * share) for share in things.rgb(colour)]
    contours = []
    normals = vertex_normals(points, np.asarray(triangles, np.int64))
    for text, inside in (("may carry the match", states > 0), ("left out", states < 0)):
        pieces, _ = contour_segments(points, np.asarray(triangles, np.int64), inside.astype(float), 0.5)
        if len(pieces):
            spots = np.flatnonzero(inside)
            away = np.linalg.norm(points[spots] - points[spots].mean(axis=0), axis=1)
            k = int(spots[int(np.argmin(away))])
            label = points[k] + REGION_LABEL_LIFT_MM * normals[k]
            contours.append(Contours(0.5, pieces, label[None], text))
    return _body(points, triangles, SurfaceMap(colours, tuple(contours)))


def _body(points: FloatArray, triangles: AnyArray, shown: SurfaceMap) -> MapBody:
    data = things.with_normals(things.poly_data(points, triangles))
    colours = numpy_to_vtk(np.ascontiguousarray(shown.colours), deep=True)
    colours.SetName("colour")
    data.GetPointData().SetScalars(colours)
    return MapBody(data, shown.contours)


def recoloured(body: MapBody, states: AnyArray, plain: str) -> None:
    """Show a stroke as it goes on."""
    colours = np.empty((len(states), 3), np.uint8)
    for state, colour in ((0, plain), (1, IN_COLOUR), (-1, OUT_COLOUR)):
        colours[states == state] = [round(255 * share) for share in things.rgb(colour)]
    body.data.GetPointData().SetScalars(numpy_to_vtk(colours, deep=True))
    body.data.Modified()


def map_actors(body: MapBody, labels: str = LABEL_COLOUR) -> list[Any]:
    """Give the coloured surface with its lines and labels."""
    actor = things.actor_of(body.data, "#ffffff")
    mapper = actor.GetMapper()
    mapper.ScalarVisibilityOn()
    mapper.SetColorModeToDirectScalars()
    actor.GetProperty().SetAmbient(0.35)
    actor.GetProperty().SetDiffuse(0.65)
    actors: list[Any] = [actor]
    for contour in body.contours:
        if len(contour.segments_mm):
            width = 2.4 if abs(contour.level) >= 0.5 else 1.6
            actors.append(things.line_actor(list(contour.segments_mm), LINE_COLOUR, width))
        for place in contour.labels_mm:
            text = things.text_actor(contour.text, place, labels, 12)
            look = text.GetTextProperty()
            look.SetBackgroundColor(*things.rgb("#f0f7fc"))
            look.SetBackgroundOpacity(0.85)
            actors.append(text)
    for extra in actors[1:]:
        extra.PickableOff()
    return actors


def marker_actors(
    markers: Sequence[KeptMarker], colour: str, muted: str, ground: float, upwards: ArrayLike = (0.0, 0.0, 1.0)
) -> list[Any]:
    """Give crosses and names at markers; crossed-out ones are dimmed and say so."""
    actors: list[Any] = []
    lift = ground * np.asarray(upwards, dtype=np.float64)
    for marker in markers:
        shade = muted if marker.crossed_out else colour
        name = f"× {marker.name}" if marker.crossed_out else marker.name
        actors.append(things.cross_actor(marker.centre_mm, shade, 1.5 + marker.radius_mm))
        actors.append(things.text_actor(name, marker.centre_mm + lift, shade, 12))
    for actor in actors:
        actor.PickableOff()
    return actors


def focus_actors(place: FloatArray, colour: str) -> list[Any]:
    """Give the cross at the place that the sections look at."""
    actor = things.cross_actor(place, colour, 4.0)
    actor.PickableOff()
    return [actor]
