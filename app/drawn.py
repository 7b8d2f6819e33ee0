"""The drawn shapes of the open plan, made once per value: sections and 3D view take them from here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from attrs import evolve

from app.shapes import CanalBody, Mesh, blocks_of, canal_body, envelope_body, fixture_body
from app.workspace import Workspace
from planner_core.case import derived
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.planning.fixture import PlacedFixture


def fixture_mesh(workspace: Workspace, fixture: PlacedFixture) -> Mesh:
    """Give the body of a fixture."""
    mesh: Any = workspace.shelf.get(f"fixture:{fixture.site}", (fixture,), lambda: fixture_body(fixture))
    return mesh  # type: ignore[no-any-return]


def canal_shape(workspace: Workspace, side: str) -> CanalBody:
    """Give the canal of a side."""
    canal = workspace.plan.canals[side]
    shape: Any = workspace.shelf.get(f"canal:{side}", (canal,), lambda: canal_body(canal))
    return shape  # type: ignore[no-any-return]


def envelope_mesh(workspace: Workspace, fixture: PlacedFixture) -> Mesh | None:
    """Give where the drill may go (95 %); None while there is no budget for the fixture as it stands."""
    budget = workspace.numbers.budgets.get(fixture.site)
    known = workspace.numbers.plan.fixtures.get(fixture.site)
    if budget is None or known is not fixture:
        return None
    envelope = budget.envelope
    mesh: Any = workspace.shelf.get(
        f"envelope:{fixture.site}",
        (fixture, budget),
        lambda: envelope_body(fixture, envelope.depths_mm, envelope.radius_p95_mm),
    )
    return mesh  # type: ignore[no-any-return]


def bone_mesh(workspace: Workspace) -> Mesh | None:
    """Give the bone with its sockets and after the planned cut, if it was made and is ready to be cut.

    A plane that is being dragged cuts when it is let go of.
    """
    plan = workspace.session.committed if workspace.is_open else workspace.plan
    if plan.bone is None:
        return None

    def make() -> tuple[FloatArray, AnyArray]:
        bone = derived.bone_in_use(plan)
        assert bone is not None
        return bone.surface.points_mm, bone.surface.triangles

    return ready_mesh(workspace, "bone", derived.what_shapes_bone(plan), make)


def matched_surface_mesh(workspace: Workspace) -> Mesh | None:
    """Give the surface scan where the match puts it, once it is ready to be cut."""
    adopted = workspace.plan.match
    if adopted is None or adopted.surface_id not in workspace.plan.surfaces:
        return None
    surface = workspace.plan.surfaces[adopted.surface_id].surface
    transform = adopted.match.lps_from_surface
    return ready_mesh(
        workspace,
        "surface",
        (adopted.match, surface),
        lambda: (transform.apply(surface.points_mm), surface.triangles),
    )


def ready_mesh(workspace: Workspace, name: str, inputs: tuple[Any, ...], make: Callable[[], Any]) -> Mesh | None:
    """Give a large mesh that a job has sorted; None meanwhile."""
    holder: Any = workspace.shelf.get(f"large:{name}", inputs, lambda: {"mesh": None, "started": False})
    if not holder["started"]:
        holder["started"] = True

        def work() -> Mesh:
            points, triangles = make()
            mesh = Mesh(points, triangles)
            return evolve(mesh, blocks=blocks_of(mesh))

        def take(mesh: Mesh) -> None:
            holder["mesh"] = mesh
            workspace.numbers_changed.emit()

        job = workspace.jobs.start("Preparing outlines", work, shown=False)
        job.succeeded.connect(take)
        job.failed.connect(workspace.messages.report)
    return holder["mesh"]  # type: ignore[no-any-return]


def first_surface(workspace: Workspace) -> Any:
    """Give the surface that is worked on, the one that is matched, or the first one; None without any."""
    plan = workspace.plan
    if workspace.view.surface_id in plan.surfaces:
        return plan.surfaces[workspace.view.surface_id]
    if plan.match is not None and plan.match.surface_id in plan.surfaces:
        return plan.surfaces[plan.match.surface_id]
    return next(iter(plan.surfaces.values()), None)
