"""Planned teeth and what surrounds the fixtures of a plan."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner_core.case.derived.clearance import live_ledger_of
from planner_core.case.derived.marks import bone_in_use
from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan, SurfaceRole
from planner_core.geometry.surface import Surface
from planner_core.planning.arch_design import OcclusalPlane, occlusal_plane
from planner_core.planning.crowns import PlannedTooth, average_station_mm, tooth_at
from planner_core.planning.live import Beside, LiveSurroundings

_live: Memory[LiveSurroundings] = Memory(4)
_beside: Memory[Mapping[str, Beside]] = Memory()
_surfaces: Memory[Surface] = Memory(4)


def crown_at(plan: Plan, site: str) -> PlannedTooth | None:
    """Give the tooth that a site is planned for: the planned crown, else an average one on the arch."""
    if site in plan.crowns:
        crown: PlannedTooth = plan.crowns[site]
        return crown
    return None if plan.arch is None else tooth_at(plan.arch, site, average_station_mm(site))


def surface_in_lps(plan: Plan, surface_id: str) -> Surface | None:
    """Give a surface of the case in LPS.

    Either the match is its own, or it was exported in the frame of the matched one (as two scans in occlusion and a
    wax-up on its model are) and goes with it. None while that is not so.
    """
    if surface_id not in plan.surfaces:
        return None
    given = plan.surfaces[surface_id]
    surface: Surface = given.surface
    if surface.frame == "lps":
        return surface
    if plan.match is None:
        return None
    goes_with = surface_id == plan.match.surface_id or given.same_frame_as == plan.match.surface_id
    if not goes_with:
        return None
    transform = plan.match.match.lps_from_surface
    return _surfaces.get(
        lambda: Surface(transform.apply(surface.points_mm), surface.triangles, "lps"), surface, plan.match.match
    )


def surfaces_of_role(plan: Plan, *roles: SurfaceRole) -> dict[str, Surface]:
    """Give the surfaces of these roles that are known in LPS, by id."""
    found = {}
    for surface_id, given in plan.surfaces.items():
        surface = surface_in_lps(plan, surface_id) if given.role in roles else None
        if surface is not None:
            found[surface_id] = surface
    return found


def neighbour_surfaces(plan: Plan, sites: tuple[str, ...] = ()) -> list[Surface]:
    """Give everything that planned teeth at `sites` may stand beside: other crowns, marked teeth, scanned teeth."""
    found = [crown.surface() for site, crown in plan.crowns.items() if site not in sites]
    found += [tooth.surface for site, tooth in plan.teeth.items() if tooth.state.stays and site not in sites]
    return [*found, *surfaces_of_role(plan, SurfaceRole.TEETH).values()]


def occlusal_plane_of(plan: Plan) -> OcclusalPlane | None:
    """Give the occlusal plane of a plan; None without an arch."""
    return None if plan.arch is None else occlusal_plane(plan.design, plan.arch, plan.crowns)


def live_surroundings_of(plan: Plan) -> LiveSurroundings:
    """Give the surroundings prepared for dragging; the fixtures themselves do not decide."""
    bone, ledger, limits = bone_in_use(plan), live_ledger_of(plan), plan.limits
    voxel = None if plan.scan is None else float(np.max(plan.scan.volume.spacing_mm))
    return _live.get(
        lambda: LiveSurroundings(
            None if bone is None else bone.surface,
            plan.arch,
            plan.crowns,
            ledger,
            abutments=plan.abutments,
            voxel_mm=voxel,
            bone_sigma_mm=None if bone is None else bone.sigma_mm,
            limits_margin_mm=limits.margin_mm,
        ),
        bone,
        plan.arch,
        plan.crowns,
        plan.abutments,
        ledger,
        limits,
        None if plan.scan is None else plan.scan.volume,
    )


def beside_of(plan: Plan) -> Mapping[str, Beside]:
    """Give what surrounds every fixture of a plan besides its ledger."""
    live = live_surroundings_of(plan)
    return _beside.get(lambda: live.of(plan.fixtures), live, plan.fixtures)
