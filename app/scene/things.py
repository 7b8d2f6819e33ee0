"""Arrays to VTK actors. One function per kind of thing shown."""

from __future__ import annotations

from typing import Any

import numpy as np
import vtkmodules.vtkInteractionStyle
import vtkmodules.vtkRenderingFreeType
import vtkmodules.vtkRenderingOpenGL2  # noqa: F401 - brings the drawing that the render window needs
from attrs import frozen
from numpy.typing import ArrayLike
from PySide6.QtGui import QColor
from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray, vtk_to_numpy
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
from vtkmodules.vtkFiltersCore import vtkPolyDataNormals, vtkQuadricClustering
from vtkmodules.vtkRenderingCore import vtkActor, vtkBillboardTextActor3D, vtkPolyDataMapper

from app.shapes import CanalBody, Mesh, runs_of, tube

CLUSTER_DIVISIONS = 60
"""Cells along each side of the box by which a large surface is thinned while something is dragged."""
LARGE_TRIANGLES = 25_000
"""Surfaces with more triangles are thinned while something is dragged (DESIGN.md section 9: 20 k)."""


def rgb(colour: str) -> tuple[float, float, float]:
    """Give a colour's shares of red, green and blue."""
    shade = QColor(colour)
    return shade.redF(), shade.greenF(), shade.blueF()


def poly_data(points: ArrayLike, triangles: ArrayLike) -> vtkPolyData:
    """Give VTK's form of a triangle mesh (the arrays are copied)."""
    data = vtkPolyData()
    places = vtkPoints()
    places.SetData(numpy_to_vtk(np.ascontiguousarray(points, dtype=np.float32), deep=True))
    data.SetPoints(places)
    corners = np.asarray(triangles, dtype=np.int64)
    cells = np.hstack([np.full((len(corners), 1), 3, np.int64), corners]).ravel()
    faces = vtkCellArray()
    faces.ImportLegacyFormat(numpy_to_vtkIdTypeArray(np.ascontiguousarray(cells), deep=True))
    data.SetPolys(faces)
    return data


def line_data(pieces: list[Any]) -> vtkPolyData:
    """Give VTK's form of polylines, each of shape (n, 3)."""
    data = vtkPolyData()
    places = vtkPoints()
    points = np.vstack(pieces).astype(np.float32)
    places.SetData(numpy_to_vtk(np.ascontiguousarray(points), deep=True))
    cells: list[int] = []
    start = 0
    for piece in pieces:
        cells += [len(piece), *range(start, start + len(piece))]
        start += len(piece)
    lines = vtkCellArray()
    lines.ImportLegacyFormat(numpy_to_vtkIdTypeArray(np.array(cells, np.int64), deep=True))
    data.SetPoints(places)
    data.SetLines(lines)
    return data


def thinned(data: vtkPolyData) -> vtkPolyData:
    """Give a coarse copy of a large surface."""
    if data.GetNumberOfPolys() <= LARGE_TRIANGLES:
        return data
    clustering = vtkQuadricClustering()
    clustering.SetInputData(data)
    clustering.SetNumberOfDivisions(CLUSTER_DIVISIONS, CLUSTER_DIVISIONS, CLUSTER_DIVISIONS)
    clustering.Update()
    return clustering.GetOutput()


@frozen(eq=False)
class Body:
    """A surface ready to be drawn: in full, and thinned for while something is dragged."""

    full: vtkPolyData
    thin: vtkPolyData


def prepared(points: ArrayLike, triangles: ArrayLike) -> Body:
    """Make a large surface ready; touches no window, so that a job can do it."""
    full = with_normals(poly_data(points, triangles))
    return Body(full, with_normals(thinned(full)))


def with_normals(data: vtkPolyData) -> vtkPolyData:
    """Give the surface with normals at its points, for even shading."""
    normals = vtkPolyDataNormals()
    normals.SetInputData(data)
    normals.SplittingOff()
    normals.ConsistencyOff()
    normals.Update()
    return normals.GetOutput()


def actor_of(data: vtkPolyData, colour: str, opacity: float = 1.0, width: float = 1.0) -> vtkActor:
    """Give a matt actor: no gloss, so that nothing looks like what it is not."""
    mapper = vtkPolyDataMapper()
    mapper.SetInputData(data)
    mapper.ScalarVisibilityOff()
    actor = vtkActor()
    actor.SetMapper(mapper)
    look = actor.GetProperty()
    look.SetColor(*rgb(colour))
    look.SetOpacity(opacity)
    look.SetLineWidth(width)
    look.SetSpecular(0.0)
    look.SetAmbient(0.18)
    look.SetDiffuse(0.82)
    return actor


def mesh_actor(mesh: Mesh, colour: str, opacity: float = 1.0) -> vtkActor:
    """Give a small closed shape, such as a fixture."""
    return actor_of(with_normals(poly_data(mesh.points_lps_mm, mesh.triangles)), colour, opacity)


def canal_actors(canal: CanalBody, colour: str) -> list[vtkActor]:
    """Give a canal as a tube with rings, its unseen stretches as a thin line."""
    actors = []
    for flags, grown, opacity in ((canal.certain, 1.0, 0.55), (canal.in_ring() & canal.certain, 1.12, 1.0)):
        for first, last in runs_of(flags, grown=1):
            if last - first >= 2:
                body = tube(canal.path_lps_mm[first:last], canal.radius_mm[first:last] * grown)
                actors.append(mesh_actor(body, colour, opacity))
    if not bool(canal.certain.all()):
        actors.append(actor_of(line_data([canal.path_lps_mm]), colour, 1.0, 2.0))
    return actors


def envelope_actors(mesh: Mesh, colour: str) -> list[vtkActor]:
    """Give the envelope as a thin surface with its net, so that what lies within is still seen."""
    surface = actor_of(with_normals(poly_data(mesh.points_lps_mm, mesh.triangles)), colour, 0.18)
    net = actor_of(poly_data(mesh.points_lps_mm, mesh.triangles), colour, 0.30)
    net.GetProperty().SetRepresentationToWireframe()
    for actor in (surface, net):
        actor.GetProperty().LightingOff()
        actor.PickableOff()
    return [surface, net]


def line_actor(pieces: list[Any], colour: str, width: float = 2.0, opacity: float = 1.0) -> vtkActor:
    """Give lines."""
    actor = actor_of(line_data(pieces), colour, opacity, width)
    actor.GetProperty().LightingOff()
    return actor


def text_actor(text: str, place: ArrayLike, colour: str, size: int = 16) -> vtkBillboardTextActor3D:
    """Give a word that faces the viewer."""
    actor = vtkBillboardTextActor3D()
    actor.SetInput(text)
    x, y, z = (float(v) for v in np.asarray(place))
    actor.SetPosition(x, y, z)
    look = actor.GetTextProperty()
    look.SetColor(*rgb(colour))
    look.SetFontSize(size)
    look.SetBold(True)
    look.SetJustificationToCentered()
    look.SetVerticalJustificationToCentered()
    actor.PickableOff()
    return actor


def cross_actor(places: Any, colour: str, half_mm: float = 1.0) -> vtkActor:
    """Give small three-armed crosses at points of shape (n, 3)."""
    arms = [
        np.stack([place - half_mm * axis, place + half_mm * axis])
        for place in np.atleast_2d(places)
        for axis in np.eye(3)
    ]
    return line_actor(arms, colour, 2.5)


def pixels_of(image: Any) -> Any:
    """Give an (h, w, 3) array of bytes of a VTK picture, top row first."""
    width, height, _ = image.GetDimensions()
    values = vtk_to_numpy(image.GetPointData().GetScalars()).reshape(height, width, -1)
    return np.ascontiguousarray(values[::-1, :, :3])
