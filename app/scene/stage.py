"""The render window: keeps one actor set per thing and changes only what changed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import vtkmodules.qt
from attrs import evolve

vtkmodules.qt.PyQtImpl = "PySide6"

from PySide6.QtWidgets import QWidget  # noqa: E402
from vtkmodules.qt.QVTKRenderWindowInteractor import QVTKRenderWindowInteractor  # noqa: E402
from vtkmodules.vtkInteractionStyle import vtkInteractorStyleTrackballCamera  # noqa: E402
from vtkmodules.vtkRenderingCore import vtkCellPicker, vtkRenderer, vtkWindowToImageFilter  # noqa: E402

from app import drawn  # noqa: E402
from app.picks import Pick  # noqa: E402
from app.scene import anatomy_things, crown_things, things  # noqa: E402
from app.scene.match_scene import MatchScene  # noqa: E402
from app.words import site_label  # noqa: E402
from app.workspace import Workspace  # noqa: E402
from planner_core.anatomy.sections import SectionFrame  # noqa: E402

NOTHING_YET = (
    "Nothing stands in space yet.\n\n"
    "Draw the bone surface (Anatomy), open a surface scan (Match) or place a fixture (Fixtures)."
)
PREPARING = "The 3D view is being prepared …"
OUTER = ("bone", "surface", "own", "map")
"""What is drawn in the outer layer."""
BONE_OPACITY = 1.0
SURFACE_OPACITY = 0.55
GRAB_REACH_MM = 1.6
"""A grip this near to a handle in space counts as on it, mm (our choice: about the handle's corner)."""
PICK_TOLERANCE = 0.003
"""How near to a surface a click counts, as a share of the window's diagonal (our choice)."""


class Stage:
    """Renderer, camera and actors. Made after the window is shown."""

    def __init__(self, workspace: Workspace, parent: QWidget, on_ready: Callable[[], None]) -> None:
        self._workspace = workspace
        self._on_ready = on_ready
        self._bodies: dict[str, tuple[Any, Any]] = {}
        self._preparing: dict[str, Any] = {}
        self._dragging = False
        self._match = MatchScene(workspace, on_ready)
        self.tool: Any = None
        """The tool in hand: what it has made so far is shown."""
        self.widget = QVTKRenderWindowInteractor(parent)
        self.is_drawn = False
        self._framed = ("", False, False)
        self._shown: dict[str, tuple[tuple[Any, ...], list[Any]]] = {}
        self._names: dict[Any, str] = {}
        self._renderer = vtkRenderer()
        self._window = self.widget.GetRenderWindow()
        self._window.SetMultiSamples(0)
        self._window.SetNumberOfLayers(2)
        self._window.AddRenderer(self._renderer)
        # What lies inside the bone is drawn in a layer over it: seen through, without costly blending.
        self._inner = vtkRenderer()
        self._inner.SetLayer(1)
        self._inner.SetActiveCamera(self._renderer.GetActiveCamera())
        self._inner.InteractiveOff()
        self._window.AddRenderer(self._inner)
        interactor = self._window.GetInteractor()
        interactor.SetInteractorStyle(vtkInteractorStyleTrackballCamera())
        self._renderer.SetBackground(*things.rgb(workspace.theme.picture))
        self._renderer.SetUseFXAA(False)

    def begin(self) -> None:
        """Make the interactor ready."""
        self.widget.Initialize()

    def end(self) -> None:
        """Give everything back to VTK."""
        for _, actors in self._shown.values():
            for actor in actors:
                self._renderer.RemoveViewProp(actor)
                self._inner.RemoveViewProp(actor)
        self._shown.clear()
        self._names.clear()
        self._window.GetInteractor().TerminateApp()
        self.widget.Finalize()

    # ------------------------------------------------------------ contents

    def refresh(self, scene: str) -> str:
        """Bring the scene up to date and draw it; gives a sentence when there is nothing to show."""
        wanted = self._patient() if scene == "patient" else self._surface_alone()
        self._match.small_things(wanted, scene, self.tool)
        if not wanted:
            self.is_drawn = False
            return PREPARING if self.is_preparing else NOTHING_YET
        solid = any(name in OUTER for name in wanted)
        other = (scene, solid, "map" in wanted) != self._framed
        self._framed = (scene, solid, "map" in wanted)
        for name in [name for name in self._shown if name not in wanted]:
            self._remove(name)
        for name, (inputs, make) in wanted.items():
            known = self._shown.get(name)
            if known is not None and all(a is b or _same(a, b) for a, b in zip(known[0], inputs, strict=True)):
                continue
            self._remove(name)
            actors = make()
            for actor in actors:
                (self._renderer if name in OUTER else self._inner).AddViewProp(actor)
                self._names[actor] = name
            self._shown[name] = (inputs, actors)
        if other:
            self.look_from_front(draw=False)
        self._clip()
        self._window.Render()
        self.is_drawn = True
        return ""

    def _remove(self, name: str) -> None:
        for actor in self._shown.pop(name, ((), []))[1]:
            self._renderer.RemoveViewProp(actor)
            self._inner.RemoveViewProp(actor)
            self._names.pop(actor, None)

    def _patient(self) -> dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]]:
        workspace, theme = self._workspace, self._workspace.theme
        plan, layers, in_hand = workspace.plan, workspace.view.layers, workspace.view.site
        wanted: dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]] = {}
        bone, surface = drawn.bone_mesh(workspace), drawn.matched_surface_mesh(workspace)
        if surface is not None and self._match.map_of_match(wanted, surface.points_lps_mm, surface.triangles):
            bone = surface = None  # the map stands alone: what lies in it would hide its lines
        for name, mesh, colour, opacity in (
            ("bone", bone, theme.bone, BONE_OPACITY),
            ("surface", surface, theme.surface, SURFACE_OPACITY),
        ):
            if mesh is not None and name in layers:
                self._add_body(wanted, name, mesh, mesh.points_lps_mm, mesh.triangles, colour, opacity)
        for side in plan.canals if "canal" in layers else ():
            canal = drawn.canal_shape(workspace, side)
            wanted[f"canal:{side}"] = ((canal,), lambda canal=canal: things.canal_actors(canal, theme.canal))
        wanted |= anatomy_things.anatomy_of(workspace)
        for site, fixture in plan.fixtures.items():
            mesh = drawn.fixture_mesh(workspace, fixture)
            colour = theme.mark if site == in_hand else theme.fixture
            label = site_label(site, workspace.settings.notation)
            top = fixture.pose.at_depth(-4.0)
            wanted[f"fixture:{site}"] = (
                (mesh, colour, label),
                lambda mesh=mesh, colour=colour, label=label, top=top: [
                    things.mesh_actor(mesh, colour),
                    things.text_actor(label, top, colour, 15),
                ],
            )
            envelope = drawn.envelope_mesh(workspace, fixture)
            if envelope is not None and "envelope" in layers and site == in_hand:
                wanted[f"envelope:{site}"] = (
                    (envelope,),
                    lambda envelope=envelope: things.envelope_actors(envelope, theme.mark),
                )
        crown_things.add_crowns(wanted, workspace)
        if plan.arch is not None and wanted:
            arch = plan.arch
            wanted["arch"] = ((arch,), lambda: [things.line_actor([arch.curve_lps_mm], theme.arch)])
        if wanted:
            self._add_sides(wanted)
        return wanted

    def _add_body(
        self, wanted: dict[str, Any], name: str, key: Any, points: Any, triangles: Any, colour: str, opacity: float
    ) -> None:
        """Show a large surface once a job has made it ready."""
        known = self._bodies.get(name)
        if known is None or known[0] is not key:
            self._prepare(name, key, points, triangles)
            return
        body, dragging = known[1], self._dragging

        def make() -> list[Any]:
            return [things.actor_of(body.thin if dragging else body.full, colour, opacity)]

        wanted[name] = ((body, str(dragging), colour), make)

    def _prepare(self, name: str, key: Any, points: Any, triangles: Any) -> None:
        if self._preparing.get(name) is key:
            return
        self._preparing[name] = key
        job = self._workspace.jobs.start(
            "Preparing the 3D view",
            things.prepared,
            points,
            triangles,
            key=f"scene {name}",
            is_wanted=lambda: self._preparing.get(name) is key,
            shown=False,
        )

        def take(body: Any) -> None:
            self._bodies[name] = (key, body)
            self._on_ready()

        job.succeeded.connect(take)
        job.failed.connect(self._workspace.messages.report)

    @property
    def is_preparing(self) -> bool:
        """Whether a large surface is on its way."""
        return any(self._bodies.get(name, (None,))[0] is not key for name, key in self._preparing.items())

    def drag(self, dragging: bool) -> None:
        """Show thinned surfaces while something is dragged."""
        self._dragging = dragging

    def _add_sides(self, wanted: dict[str, Any]) -> None:
        """Write R and L beside what is shown."""
        plan = self._workspace.plan
        if plan.scan is None:
            return
        volume, accent = plan.scan.volume, self._workspace.theme.mark
        arch = plan.arch

        def make() -> list[Any]:
            points = volume.corners_lps_mm() if arch is None else arch.curve_lps_mm
            centre = points.mean(axis=0)
            reach = np.array([max(float(np.ptp(points[:, 0])) / 2 + 8.0, 20.0), 0, 0])
            middle = (points.min(axis=0) + points.max(axis=0)) / 2
            place = np.array([middle[0], centre[1], centre[2]])
            return [
                things.text_actor("R", place - reach, accent, 20),
                things.text_actor("L", place + reach, accent, 20),
            ]

        wanted["sides"] = ((volume, arch, accent), make)

    def _surface_alone(self) -> dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]]:
        workspace, theme = self._workspace, self._workspace.theme
        chosen = drawn.first_surface(workspace)
        if chosen is None:
            return {}
        surface = chosen.surface
        wanted: dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]] = {}
        if not self._match.region(wanted, chosen.surface_id, surface, self.tool):
            self._add_body(wanted, "own", surface, surface.points_mm, surface.triangles, theme.surface, 1.0)
        pairs = workspace.plan.pairs
        if pairs:
            wanted["pairs"] = (
                (pairs,),
                lambda: [
                    things.cross_actor(np.array([pair.surface_mm for pair in pairs]), theme.pair, 1.6),
                    *(
                        things.text_actor(pair.name, pair.surface_mm + _over(surface), theme.pair, 14)
                        for pair in pairs
                    ),
                ],
            )
        return wanted

    # ------------------------------------------------------------ camera and picking

    def look_from_front(self, draw: bool = True) -> None:
        """Look from the front and a little from above, patient's right on the left."""
        camera = self._renderer.GetActiveCamera()
        camera.SetFocalPoint(0, 0, 0)
        camera.SetPosition(0, -1, 0.55)
        camera.SetViewUp(0, 0, 1)
        bounds = self._bounds()
        if bounds is not None:
            self._renderer.ResetCamera(bounds)
        camera.Zoom(1.2)
        if draw:
            self._clip()
            self._window.Render()

    def look_at(self, place: Any, from_direction: Any, away_mm: float = 90.0) -> None:
        """Look at a place from a direction, as a user turns the view to it."""
        direction = np.asarray(from_direction, dtype=np.float64)
        direction = direction / np.linalg.norm(direction)
        camera = self._renderer.GetActiveCamera()
        camera.SetFocalPoint(*(float(v) for v in place))
        camera.SetPosition(*(float(v) for v in np.asarray(place) + away_mm * direction))
        camera.SetViewUp(*np.eye(3)[int(np.argmin(np.abs(direction)))])
        self._clip()
        self._window.Render()

    def screen_of(self, place: Any) -> tuple[float, float]:
        """Give where a place stands in the widget."""
        self._renderer.SetWorldPoint(*(float(v) for v in place), 1.0)
        self._renderer.WorldToDisplay()
        x, y, _ = self._renderer.GetDisplayPoint()
        ratio = self.widget.devicePixelRatioF()
        return x / ratio, self.widget.height() - 1 - y / ratio

    def _bounds(self) -> list[float] | None:
        found = [r.ComputeVisiblePropBounds() for r in (self._renderer, self._inner)]
        found = [b for b in found if b[0] <= b[1]]
        if not found:
            return None
        low = np.min([b[0::2] for b in found], axis=0)
        high = np.max([b[1::2] for b in found], axis=0)
        return [float(v) for pair in zip(low, high, strict=True) for v in pair]

    def _clip(self) -> None:
        bounds = self._bounds()
        if bounds is not None:
            self._renderer.ResetCameraClippingRange(bounds)

    def pick(self, x: float, y: float) -> tuple[Pick | None, str]:
        """Give the place under a point of the widget and the site of a fixture that was hit."""
        ratio = self.widget.devicePixelRatioF()
        picker = vtkCellPicker()
        picker.SetTolerance(PICK_TOLERANCE)
        at = (x * ratio, (self.widget.height() - y - 1) * ratio, 0.0)
        if not any(picker.Pick(*at, renderer) for renderer in (self._inner, self._renderer)):
            return None, ""
        name = self._names.get(picker.GetViewProp() or picker.GetActor(), "")
        place = np.array(picker.GetPickPosition())
        if name == "own":
            chosen = drawn.first_surface(self._workspace)
            return Pick("scene", place, frame_name=chosen.surface.frame), ""
        if name in ("surface", "map"):
            adopted = self._workspace.plan.match
            assert adopted is not None
            transform = adopted.match.lps_from_surface.inverse()
            return Pick("scene", transform.apply(place), frame_name=transform.target), ""
        site = name.split(":")[1] if name.startswith("fixture:") else ""
        return Pick("scene", place), site

    def grab(self, x: float, y: float, site: str, turning: bool, sliding: bool) -> Pick | None:
        """Give the place on one fixture under a point of the widget, with a section that faces the viewer."""
        pick, found = self.pick(x, y)
        if pick is None or found != site:
            return None
        camera = self._renderer.GetActiveCamera()
        ahead = np.array(camera.GetDirectionOfProjection())
        up = np.array(camera.GetViewUp())
        down = -(up - ahead * float(up @ ahead))
        down = down / np.linalg.norm(down)
        frame = SectionFrame(pick.point_mm, np.cross(down, ahead), down, 60.0, 60.0, 1.0)
        reach = GRAB_REACH_MM
        return Pick("scene", pick.point_mm, reach, frame, turning=turning, sliding=sliding)

    def in_plane(self, x: float, y: float, grabbed: Pick) -> Pick:
        """Give the place under a point of the widget in the plane of a pick that was grabbed."""
        section = grabbed.section
        assert section is not None
        ratio = self.widget.devicePixelRatioF()
        ends = []
        for depth in (0.0, 1.0):
            self._renderer.SetDisplayPoint(x * ratio, (self.widget.height() - y - 1) * ratio, depth)
            self._renderer.DisplayToWorld()
            world = np.array(self._renderer.GetWorldPoint())
            ends.append(world[:3] / world[3])
        near, far = ends
        ahead = far - near
        along = float((section.origin_lps_mm - near) @ section.normal_lps) / float(ahead @ section.normal_lps)
        return evolve(grabbed, point_mm=near + along * ahead)

    def pixels(self) -> Any:
        """Give the drawn picture as bytes of shape (h, w, 3)."""
        self._window.Render()
        grabber = vtkWindowToImageFilter()
        grabber.SetInput(self._window)
        grabber.ReadFrontBufferOff()
        grabber.Update()
        return things.pixels_of(grabber.GetOutput())


def _same(a: Any, b: Any) -> bool:
    return isinstance(a, str) and isinstance(b, str) and a == b


def _over(surface: Any) -> Any:
    return np.array([0.0, 0.0, 0.03 * float(np.linalg.norm(surface.extent_mm))])
