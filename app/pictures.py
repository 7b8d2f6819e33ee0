"""Pictures without a window: the two sections of each fixture for the sheet, and the strip.

Grey values come from planner_core, lines are drawn with Pillow at twice the size and halved. The marks are those of
the window: the canal a purple tube with a ring every 5 mm, broken where it was not seen; the envelope dashed and
widening; nearest points joined by a whisker with its mm. Colour never stands alone: every line has its word.
"""

from __future__ import annotations

from collections.abc import Mapping
from io import BytesIO

import numpy as np
from numpy.typing import NDArray

from app.picture_canvas import BONE, CANAL, ENVELOPE, FIXTURE, PLUMB, TEXT, WHISKER, Canvas
from app.shapes import Mesh, canal_body, cut, envelope_body, fixture_body
from planner_core.anatomy.sections import SectionFrame, fixture_frame, sample_section
from planner_core.anatomy.strip import sample_strip
from planner_core.case.derived import bone_in_use, budgets_of, ledger_of
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.ledger import LedgerRow, drill_profile, overshoot_mm
from planner_core.progress import Progress, silent

SECTION_MM = 38.0
"""Width and height of a section, mm (our choice: the whole height of a lower jaw)."""

PIXEL_MM = 0.05
"""Size of a pixel of a section, mm (our choice: sharp in print at 90 mm)."""

WHISKER_REACH_MM = 2.5
"""Nearest points are joined in a section when both lie this near to its plane, mm (our choice)."""

PLUMB_MM = 8.0
"""How far the axis is drawn beyond the platform, mm."""

BONE_BRIGHT = 2.2
"""White lies this many soft-to-bone steps above soft tissue, so that enamel and ceramic differ (our choice)."""


def sheet_pictures(plan: Plan, progress: Progress = silent) -> Mapping[str, bytes]:
    """Give the pictures of a sheet as PNG: ``"36:across"`` and ``"36:along"`` for each site."""
    if plan.scan is None:
        return {}
    window = grey_window(plan.scan.volume)
    pictures: dict[str, bytes] = {}
    for number, (site, fixture) in enumerate(plan.fixtures.items()):
        progress(number / len(plan.fixtures), "Drawing sections")
        for kind, frame in zip(("across", "along"), section_frames(plan, fixture), strict=True):
            pictures[f"{site}:{kind}"] = section_picture(plan, fixture, frame, window)
    return pictures


def section_frames(plan: Plan, fixture: PlacedFixture) -> tuple[SectionFrame, SectionFrame]:
    """Give the two planes through a fixture's axis: across the arch and along it (or any two without an arch)."""
    across, along = None, None
    if plan.arch is not None:
        station = plan.arch.station_of(fixture.pose.platform_lps_mm)
        across, along = plan.arch.outward_at(station), plan.arch.tangent_at(station)
        # As the dentist looks at the patient: the patient's right is on the left of the picture.
        if across[0] < 0 and abs(across[0]) > 0.3:
            across = -across
    size = {
        "width_mm": SECTION_MM,
        "height_mm": SECTION_MM,
        "pixel_mm": PIXEL_MM,
        "depth_mm": fixture.shape.length_mm / 2.0 + 2.0,
    }
    first = fixture_frame(fixture.pose, 0.0, reference_lps=across, **size)
    if along is None:
        return first, fixture_frame(fixture.pose, 90.0, **size)
    return first, fixture_frame(fixture.pose, 0.0, reference_lps=along, **size)


def section_picture(plan: Plan, fixture: PlacedFixture, frame: SectionFrame, window: tuple[float, float]) -> bytes:
    """Give one section with everything planned in it, as PNG."""
    if plan.scan is None:
        raise PlannerError("There is no scan to cut.", "Import the scan first.")
    canvas = Canvas(grey_picture(sample_section(plan.scan.volume, frame), window), frame)
    bone = bone_in_use(plan)
    if bone is not None:
        mesh = Mesh(bone.surface.points_mm, bone.surface.triangles)
        canvas.pieces(cut(mesh, frame.origin_lps_mm, frame.normal_lps), BONE, 1.2)
    _canals(canvas, plan)
    _others(canvas, plan, fixture)
    _envelope(canvas, plan, fixture)
    _drill(canvas, plan, fixture)
    canvas.pieces(cut(fixture_body(fixture), frame.origin_lps_mm, frame.normal_lps), FIXTURE, 2.4)
    _plumb(canvas, fixture)
    for row in _whiskers(plan, fixture, frame):
        canvas.whisker(row.fixture_point_lps_mm, row.obstacle_point_lps_mm, f"{row.distance_mm:.1f} mm", WHISKER)
    _letters(canvas, plan, fixture)
    canvas.scale_bar()
    return canvas.png()


def strip_picture(plan: Plan, pixel_mm: float = 0.15) -> bytes:
    """Give the strip along the arch with sites and canals, as PNG."""
    if plan.scan is None or plan.arch is None:
        raise PlannerError("The strip needs a scan and an arch curve.", "Draw the arch curve first.")
    strip = sample_strip(plan.scan.volume, plan.arch, pixel_mm=pixel_mm, slab_mm=6.0)
    canvas = Canvas(grey_picture(strip.image, grey_window(plan.scan.volume)), strip)
    for canal in plan.canals.values():
        body = canal_body(canal)
        canvas.path(body.path_lps_mm, CANAL, 3.0, dashed=~body.certain)
        canvas.label(body.path_lps_mm[len(body.path_lps_mm) // 2], "canal", CANAL)
    for site, fixture in plan.fixtures.items():
        outline = _outline(fixture.shape.profile_mm, fixture, plan.arch.tangent_at(
            plan.arch.station_of(fixture.pose.platform_lps_mm)
        ))  # fmt: skip
        canvas.path(outline, FIXTURE, 2.4)
        canvas.label(fixture.pose.at_depth(-3.0), site, TEXT, bold=True)
    canvas.edge("R", "L")
    return canvas.png()


def grey_window(volume: Volume) -> tuple[float, float]:
    """Give the grey values shown as black and white: from air to well above bone, by the scan's own scale."""
    levels = calibrate_grey(volume)
    return float(levels.air), float(levels.soft_tissue + BONE_BRIGHT * (levels.bone - levels.soft_tissue))


def grey_picture(values: NDArray[np.float32], window: tuple[float, float]) -> NDArray[np.uint8]:
    """Give grey values as a picture; outside the volume a dark blue-grey that no grey value has."""
    low, high = window
    scaled = np.clip((values - low) / max(high - low, 1e-6), 0.0, 1.0)
    outside = np.isnan(values)
    grey = np.where(outside, 0.0, scaled * 255.0).astype(np.uint8)
    picture = np.repeat(grey[:, :, None], 3, axis=2)
    picture[outside] = (14, 20, 28)
    return picture


def as_array(png: bytes) -> NDArray[np.uint8]:
    """Give a PNG as an array of shape (h, w, 3)."""
    from PIL import Image

    return np.asarray(Image.open(BytesIO(png)).convert("RGB"))


def _canals(canvas: Canvas, plan: Plan) -> None:
    for canal in plan.canals.values():
        body = canal_body(canal)
        depth = canvas.frame.to_pixel(body.path_lps_mm)[:, 2]
        near = np.abs(depth) <= body.radius_mm
        if not near.any():
            continue
        across = bool(np.ptp(body.along_mm[near]) < 12.0)
        pieces = cut(body.wall, canvas.frame.origin_lps_mm, canvas.frame.normal_lps)
        seen = bool(body.certain[near].mean() > 0.5)
        canvas.pieces(pieces, CANAL, 2.4, dashed=not seen)
        if across:
            canvas.hatch(pieces, CANAL)
        else:
            rings = body.in_ring() & near
            canvas.dots(body.path_lps_mm[rings], CANAL, body.radius_mm[rings])
        centre = body.path_lps_mm[near][int(near.sum()) // 2]
        canvas.label(
            centre, "canal" if seen else "canal, not seen", CANAL, below_mm=float(body.radius_mm.max()) + 0.6
        )


def _others(canvas: Canvas, plan: Plan, fixture: PlacedFixture) -> None:
    for site, other in plan.fixtures.items():
        if site != fixture.site:
            pieces = cut(fixture_body(other), canvas.frame.origin_lps_mm, canvas.frame.normal_lps)
            canvas.pieces(pieces, FIXTURE, 1.4)


def _envelope(canvas: Canvas, plan: Plan, fixture: PlacedFixture) -> None:
    budget = budgets_of(plan).get(fixture.site)
    if budget is None:
        return
    body = envelope_body(fixture, budget.envelope.depths_mm, budget.envelope.radius_p95_mm)
    canvas.pieces(cut(body, canvas.frame.origin_lps_mm, canvas.frame.normal_lps), ENVELOPE, 1.8, dashed=True)
    deepest = fixture.pose.at_depth(float(budget.envelope.depths_mm[-1]))
    side = canvas.frame.right_lps * float(budget.envelope.radius_p95_mm[-1] + fixture.shape.diameter_mm / 2.0)
    canvas.label(deepest + side, "95 %", ENVELOPE)


def _drill(canvas: Canvas, plan: Plan, fixture: PlacedFixture) -> None:
    drills = plan.guide.drill_list
    profile = drill_profile(fixture.shape, drills)
    outline = _outline(profile, fixture, canvas.frame.right_lps)
    length = fixture.shape.length_mm
    canvas.path(outline, PLUMB, 1.4)
    over = overshoot_mm(drills)
    known = drills is not None and drills.tip_overshoot_mm is not None
    tip = fixture.pose.at_depth(length + over)
    text = f"drill tip +{over:.1f} mm" + ("" if known else " (not known)")
    canvas.label(tip, text, PLUMB, below_mm=0.5)


def _outline(profile_mm: FloatArray, fixture: PlacedFixture, across_lps: FloatArray) -> FloatArray:
    """Outline of a body of revolution in a plane through its axis, shape (2 k, 3)."""
    axis = fixture.pose.axis_lps
    across = across_lps - axis * float(across_lps @ axis)
    across = across / np.linalg.norm(across)
    centre = fixture.pose.platform_lps_mm + profile_mm[:, :1] * axis
    return np.vstack([centre + profile_mm[:, 1:] * across, (centre - profile_mm[:, 1:] * across)[::-1]])


def _plumb(canvas: Canvas, fixture: PlacedFixture) -> None:
    """Draw the axis beyond the platform as a plumb line with a tick every mm."""
    pose = fixture.pose
    canvas.path(np.stack([pose.at_depth(-PLUMB_MM), pose.at_depth(0.0)]), PLUMB, 1.4)
    side = canvas.frame.right_lps
    for k in range(1, int(PLUMB_MM) + 1):
        half = 0.7 if k % 5 == 0 else 0.35
        place = pose.at_depth(-float(k))
        canvas.path(np.stack([place - half * side, place + half * side]), PLUMB, 1.2)


def _whiskers(plan: Plan, fixture: PlacedFixture, frame: SectionFrame) -> list[LedgerRow]:
    """Give the nearest row of each obstacle whose two points lie near the section, three at most."""
    found = []
    for row in ledger_of(plan).of(fixture.site):
        points = np.stack([row.fixture_point_lps_mm, row.obstacle_point_lps_mm])
        near = bool(np.all(np.abs(frame.to_pixel(points)[:, 2]) <= WHISKER_REACH_MM))
        if near and 0.2 < row.distance_mm < 12.0:
            found.append(row)
    kinds: dict[str, LedgerRow] = {}
    for row in found:
        if row.obstacle not in kinds or row.distance_mm < kinds[row.obstacle].distance_mm:
            kinds[row.obstacle] = row
    return sorted(kinds.values(), key=lambda row: row.distance_mm - row.margin_mm)[:3]


def _letters(canvas: Canvas, plan: Plan, fixture: PlacedFixture) -> None:
    right = canvas.frame.right_lps
    left_word, right_word = direction_letter(-right), direction_letter(right)
    if plan.arch is not None:
        outward = plan.arch.outward_at(plan.arch.station_of(fixture.pose.platform_lps_mm))
        along = float(outward @ right)
        if abs(along) > 0.7:
            inner = "tongue" if plan.jaw.value == "lower" else "palate"
            words = (f"{left_word} · {inner}", f"{right_word} · cheek")
            if along < 0:
                words = (f"{left_word} · cheek", f"{right_word} · {inner}")
            left_word, right_word = words
    canvas.edge(left_word, right_word)
    side = "left" if fixture.pose.platform_lps_mm[0] > 0 else "right"
    canvas.title(f"{fixture.site} · patient's {side} side")


def direction_letter(direction_lps: FloatArray) -> str:
    """Give the letters of a direction in LPS: R, L, A, P, H, F; two where it lies between."""
    names = (("L", "R"), ("P", "A"), ("H", "F"))
    order = np.argsort(-np.abs(direction_lps))
    letters = [
        names[int(k)][0 if direction_lps[int(k)] > 0 else 1] for k in order if abs(direction_lps[int(k)]) > 0.35
    ]
    return "".join(letters[:2])
