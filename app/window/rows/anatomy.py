"""Commands of the anatomy: arch, canals, teeth, bone, measuring, and stepping through stations and slices."""

from __future__ import annotations

from app.commands import Command
from app.plan_actions import PlanActions
from app.workspace import Workspace
from planner_core.anatomy.measure import MeasureKind
from planner_core.anatomy.structures import Jaw, Side

MEASURE_KEYS = {
    MeasureKind.DISTANCE: ("Measure a distance", "D"),
    MeasureKind.POLYLINE: ("Measure along a line", "Shift+D"),
    MeasureKind.ANGLE: ("Measure an angle", "G"),
    MeasureKind.AREA: ("Measure an area", "Shift+G"),
}
STEPS = (
    ("station_right", "Next station to the patient's right", "[", -1.0),
    ("station_left", "Next station to the patient's left", "]", 1.0),
    ("station_far_right", "5 mm to the patient's right along the arch", "{", -5.0),
    ("station_far_left", "5 mm to the patient's left along the arch", "}", 5.0),
)
SLICE_MM = 0.5
"""One axial slice by key, mm (our choice: about two voxels)."""


def rows(workspace: Workspace, plan: PlanActions) -> list[Command]:
    """Give the commands of the anatomy."""

    def has_scan() -> bool:
        return workspace.plan.scan is not None

    def has_arch() -> bool:
        return has_scan() and workspace.plan.arch is not None

    def lower() -> bool:
        return has_scan() and workspace.plan.jaw is Jaw.LOWER

    canals = [
        Command(
            f"anatomy.canal_{side.value}",
            f"Mark the {side.value} canal",
            "Plan",
            lambda side=side: plan.anatomy.mark_canal(side),
            is_enabled=lower,
        )
        for side in (Side.RIGHT, Side.LEFT)
    ]
    measures = [
        Command(
            f"measure.{kind.value}",
            title,
            "Plan",
            lambda kind=kind: plan.measures.measure(kind),
            (keys,),
            has_scan,
            separated=kind is MeasureKind.DISTANCE,
        )
        for kind, (title, keys) in MEASURE_KEYS.items()
    ]
    return [
        Command("anatomy.arch", "Draw or change the arch", "Plan", plan.anatomy.draw_arch, ("A",), has_scan),
        Command(
            "anatomy.midline",
            "Midline at the station looked at",
            "Plan",
            plan.anatomy.set_midline,
            ("M",),
            has_arch,
        ),
        *canals,
        Command("anatomy.teeth", "Mark teeth", "Plan", plan.marks.mark_teeth, ("T",), has_arch),
        Command("anatomy.bone", "Draw the bone surface", "Plan", plan.anatomy.make_bone, is_enabled=has_scan),
        *measures,
        *_steps(workspace, has_scan, has_arch),
    ]


def _steps(workspace: Workspace, has_scan: object, has_arch: object) -> list[Command]:
    """Give the commands that step through stations and slices, wherever the focus is."""
    view = workspace.view

    def along(by: float) -> None:
        # A row of cross-sections is stepped by its spacing, so that no place is left out or seen twice.
        step = view.row_spacing_mm if view.row_count > 1 and abs(by) == 1.0 else abs(by)
        workspace.go_to_station(view.station_mm + (step if by > 0 else -step))

    def slices(by_mm: float) -> None:
        arch = workspace.plan.arch
        up = (0.0, 0.0, 1.0) if arch is None else arch.up_lps
        workspace.view.select("")
        workspace.go_to_point(view.focus_lps_mm + [by_mm * part for part in up])

    made = [
        Command(f"view.{name}", title, "View", lambda by=by: along(by), (keys,), has_arch, separated=k == 0)  # type: ignore[arg-type]
        for k, (name, title, keys, by) in enumerate(STEPS)
    ]
    return [
        *made,
        Command("view.slice_up", "Axial slice further up", "View", lambda: slices(SLICE_MM), ("'",), has_scan),  # type: ignore[arg-type]
        Command("view.slice_down", "Axial slice further down", "View", lambda: slices(-SLICE_MM), (";",), has_scan),  # type: ignore[arg-type]
        Command(
            "view.row",
            "Cross-sections side by side",
            "View",
            lambda: view.set_row(1 if view.row_count > 1 else 5, view.row_spacing_mm),
            ("R",),
            has_arch,  # type: ignore[arg-type]
            is_checked=lambda: view.row_count > 1,
        ),
    ]
