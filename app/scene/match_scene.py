"""Which things of the match stand in the 3D view when."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from app import drawn
from app.scene import match_things, things
from app.view_state import Step
from app.workspace import Workspace
from planner_core.case.derived.match_picture import known_match_picture
from planner_core.registration.kept import PATIENT_FRAME

Wanted = dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]]


class MatchScene:
    """Adds the match's things to what a scene wants; large ones are made ready by jobs."""

    def __init__(self, workspace: Workspace, on_ready: Callable[[], None]) -> None:
        self._workspace = workspace
        self._on_ready = on_ready
        self._ready: dict[str, tuple[tuple[Any, ...], Any]] = {}
        self._stroke: Any = None

    def map_of_match(self, wanted: Wanted, points: Any, triangles: Any) -> bool:
        """Show the matched surface as a map, if one is asked for and ready; False: as it is."""
        workspace = self._workspace
        look, picture = workspace.view.surface_look, known_match_picture(workspace.plan)
        if look == "plain" or picture is None or workspace.view.step is not Step.MATCH:
            return False
        values = picture.distance_mm if look == "distance" else picture.error_p95_mm
        if len(values) != len(points):
            return False
        inputs = (picture, look, points)
        body = self._made("map", inputs, match_things.prepared_map, points, triangles, values, look)
        if body is None:
            return False
        wanted["map"] = ((body,), lambda: match_things.map_actors(body))
        return True

    def region(self, wanted: Wanted, surface_id: str, surface: Any, tool: Any) -> bool:
        """Show a surface in its own frame with what is painted on it; False: nothing is painted."""
        workspace, plain = self._workspace, self._workspace.theme.surface
        stroke = getattr(tool, "states", None)
        region = workspace.plan.regions.get(surface_id)
        if region is None and stroke is None and not getattr(tool, "takes_scene_drags", False):
            return False
        states = np.zeros(len(surface.points_mm), np.int8) if region is None else region.states
        key = (region, surface, plain)
        body = self._made(
            "region", key, match_things.prepared_region, surface.points_mm, surface.triangles, states, plain
        )
        if body is None:
            return False
        if stroke is not None:
            match_things.recoloured(body, stroke, plain)
        wanted["own"] = ((body,), lambda: match_things.map_actors(body))
        return True

    def _made(self, name: str, inputs: tuple[Any, ...], work: Callable[..., Any], *args: Any) -> Any:
        """Give a body that a job makes; the last one for as long as the next is on its way."""
        known = self._ready.get(name)
        if known is not None and _same(known[0], inputs):
            return known[1]
        self._ready[name] = (inputs, None if known is None else known[1])
        job = self._workspace.jobs.start(
            "Preparing the 3D view", work, *args, key=f"scene {name}", shown=False,
            is_wanted=lambda: _same(self._ready[name][0], inputs),
        )  # fmt: skip

        def take(body: Any) -> None:
            self._ready[name] = (inputs, body)
            self._on_ready()

        job.succeeded.connect(take)
        job.failed.connect(self._workspace.messages.report)
        before = None if known is None else known[1]
        same_size = before is not None and before.data.GetNumberOfPoints() == len(args[0])
        return before if same_size else None

    def small_things(self, wanted: Wanted, scene: str, tool: Any) -> None:
        """Show markers, pairs in the making and the place looked at."""
        workspace, theme = self._workspace, self._workspace.theme
        plan = workspace.plan
        if workspace.view.step is not Step.MATCH:
            return
        chosen = drawn.first_surface(workspace)
        frame = PATIENT_FRAME if scene == "patient" else ("" if chosen is None else chosen.surface.frame)
        markers = plan.markers.get(frame, ())
        if markers and wanted and "map" not in wanted:
            wanted["markers"] = (
                (markers, theme.pair),
                lambda: match_things.marker_actors(markers, theme.pair, theme.muted, 2.2),
            )
        if scene == "surface" and hasattr(tool, "places_mm"):
            places = tuple((tuple(place.tolist()), name) for place, name in tool.places_mm())
            if places:
                wanted["clicks"] = (
                    (str(places),),
                    lambda: [
                        actor
                        for place, name in places
                        for actor in (
                            things.cross_actor(np.array(place), theme.pair, 1.6),
                            things.text_actor(name, np.array(place) + np.array([0.0, 0.0, 2.5]), theme.pair, 14),
                        )
                    ],
                )
        focus = self._focus(scene, frame)
        if focus is not None and wanted:
            wanted["focus"] = ((str(focus.round(3)),), lambda: match_things.focus_actors(focus, theme.mark))

    def _focus(self, scene: str, frame: str) -> Any:
        """Give the place looked at in the frame of the scene; None where it is not known there."""
        workspace, adopted = self._workspace, self._workspace.plan.match
        focus = workspace.view.focus_lps_mm
        if scene == "patient":
            return focus
        if adopted is None or adopted.match.lps_from_surface.source != frame:
            return None
        return adopted.match.lps_from_surface.inverse().apply(focus)


def _same(a: tuple[Any, ...], b: tuple[Any, ...]) -> bool:
    return len(a) == len(b) and all(x is y or (isinstance(x, str) and x == y) for x, y in zip(a, b, strict=True))
