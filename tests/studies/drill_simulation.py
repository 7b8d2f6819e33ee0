"""Guides settling, drills leaning, canals lying elsewhere: a mechanical simulation for testing the error budget.

Written apart from the model that it tests and sharing no formula with it. The model adds covariances of small
displacements; here every guide is one body that finds its rest on patches that can only push, the match is really
fitted from marker positions with noise, a drill leans in its bore by the hand's force, debris is never negative,
operators differ, and harm is counted where the drilled body really meets the canal. Lengths mm, forces N, LPS axes.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

FINGER_FORCE_N = 30.0
"""With which a guide is held down while it is seated and drilled through (our choice)."""

HAND_LEAN_N = 4.0
"""Sideways force of the hand at which a drill lies fully against its sleeve (our choice)."""

NEWTON_STEPS = 12
"""Most Newton steps in each stage."""

SLACK_STAGES = 12
SLACK_SHARE = 1e-4
"""Stiffness left in a patch that has lifted off, as a share of its own: keeps a free direction finite."""

LINE_SEARCH = tuple(0.5**k for k in range(12))

CANAL_CUTS = 4
TOOL_DISCS = 80
"""How finely canal pieces and tool are cut for their distance: about 0.25 mm."""

REST_TOLERANCE = 1e-5
"""Step in mm (rad) at which a body is at rest."""

OPERATOR_SPREAD = 0.2
"""Spread of the logarithm of the operators' steadiness (our choice): tails heavier than normal."""

Array = NDArray[np.float64]


@frozen(eq=False)
class Patch:
    """One place where tissue pushes on the guide: point, outward normal, stiffness N/mm, error sd and bias mm.

    A patch only pushes, unless it `clasps`: a ridge under a saddle holds it sideways both ways. While a saddle
    finds its place it yields to the fingers (`seat_stiffness`): fingers cannot wedge it by more than they press.
    """

    point: Array
    normal: Array
    stiffness: float
    sigma: float
    bias: float = 0.0
    clasps: bool = False
    seat_stiffness: float | None = None


@frozen(eq=False)
class Hole:
    """One hole to be drilled, as planned."""

    site: str
    platform: Array
    axis: Array
    length: float
    tool: Array
    """Depth below the platform and radius of what is drilled, tip included, shape (k, 2)."""
    canal: Array
    """Planned centre line, shape (n, 3)."""
    canal_radius: float
    canal_sigma: float
    """Standard deviation, per axis, of where the canal is seen."""
    sleeve_height: float
    sleeve_gap: float
    clearance: float


@frozen(eq=False)
class Practice:
    """The numbers that describe hands and tools; standard deviations unless said otherwise."""

    making: float
    making_tilt_deg: float
    load_n: float
    load_spread: float
    load_lateral_n: float
    depth_stop: float
    debris_mean: float
    execution_shift: float
    execution_depth_mean: float
    execution_tilt_deg: float
    execution_pivot: float
    blunder_share: float
    blunder_sigma: float
    blunder_tilt_deg: float


@frozen(eq=False)
class Pins:
    """Fixation pins: points, axes, stiffness across the axis (N/mm)."""

    points: Array = field(factory=lambda: np.zeros((0, 3)))
    axes: Array = field(factory=lambda: np.zeros((0, 3)))
    stiffness: float = 250.0


@frozen(eq=False)
class Outcome:
    """What happened to the holes of all guides, arrays of shape (guides, holes, …)."""

    entry_error: Array
    """(guides, holes, 3)"""
    apex_error: Array
    along: Array
    """(guides, holes, depths, 3): displacement of points of the axis."""
    gap: Array
    """(guides, holes): smallest distance between drilled body and canal wall, negative when harmed."""


def _wrenches(points: Array, directions: Array, about: Array) -> Array:
    """Rows (moment, force) of unit pushes along `directions` at `points`."""
    return np.concatenate([np.cross(points - about, directions), directions], axis=-1)


def settle(
    patches: Sequence[Patch],
    errors: Array,
    about: Array,
    push: Array,
    held: Array | None = None,
    *,
    seating: bool = False,
) -> Array:
    """Let rigid guides come to rest on patches that only push.

    Parameters
    ----------
    errors : array of shape (guides, patches)
        How far each patch stands out of its ideal surface along its normal.
    push : array of shape (guides, 6)
        Outer wrench (moment about `about`, force).
    held : array of shape (guides, 6, 6), optional
        Extra stiffness that pins add.

    Returns
    -------
    array of shape (guides, 6)
        Small turn (rad) and shift (mm) of each guide.
    """
    rows = _wrenches(np.array([p.point for p in patches]), np.array([p.normal for p in patches]), about)
    springs = np.array([p.seat_stiffness if seating and p.seat_stiffness else p.stiffness for p in patches])
    clasps = np.array([p.clasps for p in patches])
    extra = np.zeros((len(errors), 6, 6)) if held is None else held

    # From springs that hold both ways to patches that only push: bodies that lift off would cycle otherwise.
    pose = np.zeros((len(errors), 6))
    for slack in np.geomspace(1.0, SLACK_SHARE, SLACK_STAGES):
        pose = _rest(pose, rows, springs, np.where(clasps, springs, slack * springs), errors, push, extra)
    return pose


def _rest(
    pose: Array, rows: Array, springs: Array, slack: Array, errors: Array, push: Array, extra: Array
) -> Array:
    """Lower the energy of every guide by Newton steps, halved until they do lower it."""

    def energy(at: Array) -> Array:
        stands_in = errors - at @ rows.T
        bent = np.where(stands_in > 0, springs, slack) * stands_in**2
        pinned = np.einsum("gi,gij,gj->g", at, extra, at)
        return 0.5 * bent.sum(axis=1) + 0.5 * pinned - np.einsum("gi,gi->g", push, at)

    best = energy(pose)
    for _ in range(NEWTON_STEPS):
        active = np.where(errors - pose @ rows.T > 0, springs, slack)
        stiffness = np.einsum("gk,ki,kj->gij", active, rows, rows) + extra
        force = np.einsum("gk,ki->gi", active * errors, rows) + push
        step = np.linalg.solve(stiffness, force[..., None])[..., 0] - pose
        taken = np.zeros(len(errors))
        for length in LINE_SEARCH:
            lower = (taken == 0.0) & (energy(pose + length * step) < best)
            taken[lower] = length
            if taken.all():
                break
        pose = pose + taken[:, None] * step
        best = energy(pose)
        if float(np.abs(taken[:, None] * step).max()) < REST_TOLERANCE:
            break
    return pose


def _moved(pose: Array, about: Array, point: Array) -> Array:
    """Displacement of a point under small poses (guides, 6)."""
    return np.cross(pose[:, :3], point - about) + pose[:, 3:]


def _pin_stiffness(pins: Pins, about: Array) -> Array:
    total = np.zeros((6, 6))
    for point, axis in zip(pins.points, pins.axes, strict=True):
        for direction in np.linalg.svd(axis[None, :])[2][1:]:
            row = _wrenches(point, direction, about)
            total += pins.stiffness * np.outer(row, row)
    return total


def _lean(hole: Hole, rng: np.random.Generator, guides: int, side: Array, other: Array, hand_n: float) -> Array:
    """Offsets of the drill's axis in its bore at the bore's two ends, shape (guides, 2, 3)."""
    force = rng.normal(scale=hand_n, size=(guides, 2))
    size = np.linalg.norm(force, axis=1, keepdims=True)
    direction = force / np.maximum(size, 1e-9)
    reach = np.minimum(1.0, size / HAND_LEAN_N) * hole.clearance / 2.0
    # The foot of the drill is thrown to the other wall, not exactly opposite: bone deflects it.
    deflect = rng.normal(scale=0.5, size=(guides, 1))
    turned = np.concatenate(
        [
            direction[:, :1] * np.cos(deflect) - direction[:, 1:] * np.sin(deflect),
            direction[:, :1] * np.sin(deflect) + direction[:, 1:] * np.cos(deflect),
        ],
        axis=1,
    )
    basis = np.array([side, other])
    return np.stack([(reach * direction) @ basis, (-reach * turned) @ basis], axis=1)


def canal_gap(platform: Array, axis: Array, tool: Array, canal: Array, canal_radius: float) -> Array:
    """Give the smallest distance between tools and a canal's wall, shape (guides,), negative when they meet.

    Parameters
    ----------
    platform, axis : arrays of shape (guides, 3)
    tool : array of shape (k, 2)
        Depth below the platform and radius of the drilled body; taken as a pile of thin discs.
    canal : array of shape (n, 3)
    """
    fine = np.concatenate([np.linspace(a, b, CANAL_CUTS, endpoint=False) for a, b in pairwise(canal)])
    depths = np.linspace(tool[0, 0], tool[-1, 0], TOOL_DISCS)
    radii = np.interp(depths, tool[:, 0], tool[:, 1])
    best = np.full(len(platform), np.inf)
    for point in fine:
        offset = point - platform
        along = np.einsum("gi,gi->g", offset, axis)
        across = np.linalg.norm(offset - along[:, None] * axis, axis=1)
        outside = np.maximum(0.0, across[:, None] - radii)
        best = np.minimum(best, np.hypot(along[:, None] - depths, outside).min(axis=1))
    return best - canal_radius


def drill(
    holes: Sequence[Hole],
    *,
    plan_error: tuple[Array, Array],
    patches: Sequence[Patch],
    pins: Pins,
    practice: Practice,
    depths: Sequence[Array],
    guides: int,
    seed: int,
) -> Outcome:
    """Drill all holes through `guides` guides.

    Parameters
    ----------
    plan_error : (rotations (guides, 3, 3), translations (guides, 3))
        Where points of the plan really lie: p -> R p + t, from really fitted matches.
    depths : for each hole, depths below the platform at which the axis is watched.
    """
    rng = np.random.default_rng(seed)
    about = np.mean([p.point for p in patches], axis=0)
    noise = rng.normal(size=(guides, len(patches))) * [p.sigma for p in patches] + [p.bias for p in patches]
    up = -np.mean([h.axis for h in holes], axis=0)
    up /= np.linalg.norm(up)
    fingers = _wrenches(about, -FINGER_FORCE_N * up, about)[None, :].repeat(guides, axis=0)
    rest = settle(patches, noise, about, fingers, seating=True)
    # What the fingers alone press in is the same for every guide on this tissue and was so at the fit check.
    level = settle(patches, np.tile([p.bias for p in patches], (guides, 1)), about, fingers)
    free = settle(patches, np.tile([p.bias for p in patches], (guides, 1)), about, fingers * 1e-3)
    rest = rest - (level - free)
    steadiness = np.exp(rng.normal(scale=OPERATOR_SPREAD, size=guides) - OPERATOR_SPREAD**2)
    parts = [
        _drill_one(hole, plan_error, patches, noise, fingers, rest, about, pins, practice, steadiness, watch, rng)
        for hole, watch in zip(holes, depths, strict=True)
    ]
    entry, apex, along, gap = (np.stack([part[k] for part in parts], axis=1) for k in range(4))
    return Outcome(entry, apex, along, gap)


def _drill_one(hole, plan_error, patches, noise, fingers, rest, about, pins, practice, steadiness, watch, rng):
    guides = len(noise)
    side, other = np.linalg.svd(hole.axis[None, :])[2][1:]
    rotation, translation = plan_error
    top = hole.platform - (hole.sleeve_gap + hole.sleeve_height) * hole.axis
    bottom = hole.platform - hole.sleeve_gap * hole.axis
    bore = np.stack([_place(rotation, translation, p) for p in (top, bottom)], axis=1)
    bore = bore + _made(hole, practice, rng, guides, side, other)
    load = practice.load_n * (1 + practice.load_spread * rng.normal(size=(guides, 1))) * hole.axis
    sideways = rng.normal(scale=practice.load_lateral_n, size=(guides, 2))
    load = load + sideways @ np.array([side, other])
    pushed = _moved_by_load(patches, noise, fingers, rest, about, pins, top, load)
    bore = bore + np.stack([_moved(pushed, about, p) for p in (top, bottom)], axis=1)
    bore = bore + _lean(hole, rng, guides, side, other, practice.load_lateral_n)
    axis = bore[:, 1] - bore[:, 0]
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    # The stop rests on the sleeve's top; the drill goes its set depth along its own axis.
    set_depth = hole.sleeve_gap + hole.sleeve_height
    set_depth = set_depth + practice.depth_stop * rng.normal(size=guides)
    set_depth = set_depth - rng.gamma(2.0, practice.debris_mean / 2.0, size=guides)
    platform = bore[:, 0] + set_depth[:, None] * axis
    platform, axis = _hands(hole, platform, axis, practice, steadiness, rng)
    planned = [hole.platform + d * hole.axis for d in watch]
    along = np.stack([platform + d * axis - p for d, p in zip(watch, planned, strict=True)], axis=1)
    apex = platform + hole.length * axis
    shift = rng.normal(scale=hole.canal_sigma, size=(guides, 3))
    gap = canal_gap(platform - shift, axis, hole.tool, hole.canal, hole.canal_radius)
    return platform - hole.platform, apex - (hole.platform + hole.length * hole.axis), along, gap


def _place(rotation: Array, translation: Array, point: Array) -> Array:
    return rotation @ point + translation


def _made(hole, practice, rng, guides, side, other):
    """How far the printed bore's two ends lie from the drawn ones."""
    shift = rng.normal(scale=practice.making, size=(guides, 3))
    tilt = np.radians(practice.making_tilt_deg) * rng.normal(size=(guides, 2))
    half = hole.sleeve_height / 2.0 * (tilt[:, :1] * side + tilt[:, 1:] * other)
    return np.stack([shift - half, shift + half], axis=1)


def _moved_by_load(patches, noise, fingers, rest, about, pins, at, load):
    """Pose of the seated guide while the handpiece pushes; pins hold it where it was seated."""
    guides = len(noise)
    held = np.tile(_pin_stiffness(pins, about), (guides, 1, 1))
    rows = _wrenches(np.array([p.point for p in patches]), np.array([p.normal for p in patches]), about)
    # A saddle grips where it came to rest.
    noise = np.where([p.clasps for p in patches], rest @ rows.T, noise)
    seated = settle(patches, noise, about, fingers)
    push = fingers + _wrenches(np.broadcast_to(at, load.shape), load, about)
    push = push + np.einsum("gij,gj->gi", held, seated)
    loaded = settle(patches, noise, about, push, held)
    return rest + (loaded - seated)


def _hands(hole, platform, axis, practice, steadiness, rng):
    """What is left to the hands, operators differing, and the few cases that follow no law."""
    guides = len(platform)
    scale = steadiness[:, None]
    shift = scale * rng.normal(size=(guides, 3)) * practice.execution_shift
    turn = scale * rng.normal(size=(guides, 3)) * np.radians(practice.execution_tilt_deg)
    wrong = rng.random((guides, 1)) < practice.blunder_share
    shift = np.where(wrong, shift + rng.normal(size=(guides, 3)) * practice.blunder_sigma, shift)
    turn = np.where(wrong, turn + rng.normal(size=(guides, 3)) * np.radians(practice.blunder_tilt_deg), turn)
    turned = Rotation.from_rotvec(turn).apply(axis)
    pivot = platform + practice.execution_pivot * axis
    return pivot - practice.execution_pivot * turned + shift + practice.execution_depth_mean * axis, turned
