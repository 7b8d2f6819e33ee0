"""The guide as a rigid body on its contacts: how it seats, how it moves under load, how its free ends bend."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, cross_matrix
from planner_core.geometry.frames import FloatArray, perpendicular, readonly, readonly_unit, unit
from planner_core.planning.drilling import Support

WEAK_SPRING = 1e-6
"""Share of the stiffest direction that holds a guide where no contact does, so that a free direction comes out as a
very large error and not as a failure (our choice)."""

TYPICAL_RADIUS_MM = 20.0
TYPICAL_FEET = 6
"""A guide whose contacts are not given: six bearings on a ring of 20 mm (our choice, about a dental arch)."""


@frozen(eq=False)
class Contact:
    """One place where the guide bears on the jaw, in one direction.

    Parameters
    ----------
    point_lps_mm : array of shape (3,)
    normal_lps : array of shape (3,)
        Unit vector out of the tissue.
    sigma_mm : float
        Standard deviation of where the guide comes to rest along the normal (fit, tissue, debris).
    compliance_mm_per_n : float
        How far the tissue gives along the normal under load.
    """

    point_lps_mm: FloatArray = field(converter=readonly)
    normal_lps: FloatArray = field(converter=readonly_unit)
    sigma_mm: float
    compliance_mm_per_n: float

    def __attrs_post_init__(self) -> None:
        if not (self.sigma_mm > 0.0 and self.compliance_mm_per_n > 0.0):
            raise PlannerError("A contact of the guide needs an uncertainty and a compliance above zero.", "")


@frozen(eq=False)
class Pin:
    """A fixation pin: it holds a seated guide against load, and does not correct how the guide was seated."""

    point_lps_mm: FloatArray = field(converter=readonly)
    axis_lps: FloatArray = field(converter=readonly_unit)
    compliance_mm_per_n: float = 0.004


def foot(
    point_lps_mm: ArrayLike, normal_lps: ArrayLike, sigma_mm: float, along_sigma_mm: float, compliance: float
) -> tuple[Contact, Contact, Contact]:
    """Give one bearing as three contacts: across the tissue, and twice along it."""
    normal = unit(normal_lps)
    side = perpendicular(normal)
    along = compliance * (along_sigma_mm / sigma_mm) ** 2
    return (
        Contact(point_lps_mm, normal, sigma_mm, compliance),
        Contact(point_lps_mm, side, along_sigma_mm, along),
        Contact(point_lps_mm, np.cross(normal, side), along_sigma_mm, along),
    )


def bearings(
    support: Support, points_lps_mm: ArrayLike, normals_lps: ArrayLike, values: dict[str, float]
) -> tuple[Contact, ...]:
    """Give the contacts of a support at the given places (teeth, mucosa areas, bone), by the model's numbers.

    A tooth holds in all directions alike; mucosa and bone hold less along their surface than across it.
    """
    sigma, compliance, sliding = _stiffness(support, values)
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
    normals = np.broadcast_to(np.asarray(normals_lps, dtype=np.float64), points.shape)
    found: list[Contact] = []
    for point, normal in zip(points, normals, strict=True):
        found += foot(point, normal, sigma, sigma * sliding, compliance)
    return tuple(found)


def _stiffness(support: Support, values: dict[str, float]) -> tuple[float, float, float]:
    if support == Support.TEETH:
        return values["tooth_contact_sigma_mm"], values["tooth_compliance_mm_per_n"], 1.0
    name = "mucosa" if support == Support.MUCOSA else "bone"
    return (
        values[f"{name}_contact_sigma_mm"],
        values[f"{name}_compliance_mm_per_n"],
        values["sliding_factor"],
    )


def typical_points(centre_lps_mm: ArrayLike, up_lps: ArrayLike) -> FloatArray:
    """Give the bearings that are assumed while none are known, shape (6, 3): a ring across `up_lps`."""
    up = unit(up_lps)
    side = perpendicular(up)
    other = np.cross(up, side)
    turn = np.arange(TYPICAL_FEET) * 2.0 * np.pi / TYPICAL_FEET
    ring = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other
    return np.asarray(centre_lps_mm, dtype=np.float64) + TYPICAL_RADIUS_MM * ring


def _summed(points: FloatArray, normals: FloatArray, stiffness: FloatArray, about: FloatArray) -> FloatArray:
    rows = np.hstack([np.cross(points - about, normals), normals])
    return np.asarray((rows * stiffness[:, None]).T @ rows)


def _inverse(stiffness: FloatArray, arm_mm: float) -> FloatArray:
    """Invert a summed stiffness, rotations weighed by `arm_mm`; a direction that nothing holds is very soft."""
    scale = np.diag([1.0 / arm_mm] * 3 + [1.0] * 3)
    scaled = scale @ stiffness @ scale
    values, vectors = np.linalg.eigh(scaled)
    values = np.maximum(values, WEAK_SPRING * values[-1])
    return np.asarray(scale @ (vectors / values) @ vectors.T @ scale)


def _arrays(contacts: Iterable[Contact]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    members = tuple(contacts)
    if not members:
        raise PlannerError("The guide rests on nothing.", "Choose teeth, mucosa areas or bone that carry it.")
    return (
        np.array([c.point_lps_mm for c in members]),
        np.array([c.normal_lps for c in members]),
        np.array([c.sigma_mm for c in members]),
        np.array([c.compliance_mm_per_n for c in members]),
    )


def _arm_mm(points: FloatArray) -> float:
    spread = points - points.mean(axis=0)
    return max(1.0, float(np.sqrt(np.mean(np.einsum("ij,ij->i", spread, spread)))))


def seating_covariance(contacts: Iterable[Contact], bias_lps_mm: ArrayLike = (0.0, 0.0, 0.0)) -> PoseCovariance:
    """Give how a rigid guide comes to rest: the inverse of the summed stiffness of its contacts.

    Each contact weighs ``1 / sigma^2`` along its normal. With contacts that hold alike in all directions this is
    Fitzpatrick's target registration error (1998, eq. 46). A short span, a free end or a one-sided support shows by
    itself as a soft direction.

    Parameters
    ----------
    contacts : iterable of Contact
    bias_lps_mm : array of shape (3,)
        Mean shift of the whole guide (proud or sunk).
    """
    points, normals, sigma, _ = _arrays(contacts)
    about = points.mean(axis=0)
    covariance = _inverse(_summed(points, normals, sigma**-2.0, about), _arm_mm(points))
    mean = np.concatenate([np.zeros(3), np.asarray(bias_lps_mm, dtype=np.float64)])
    return PoseCovariance((covariance + covariance.T) / 2.0, about, mean)


def compliance_matrix(contacts: Iterable[Contact], pins: Iterable[Pin], about_lps_mm: ArrayLike) -> FloatArray:
    """Give the 6x6 matrix that takes a load (torque N mm, force N; about a point) to the guide's movement.

    The movement is ordered as `SIX_VECTOR_ORDER`. Pins hold across their axis.
    """
    points, normals, _, compliance = _arrays(contacts)
    about = np.asarray(about_lps_mm, dtype=np.float64)
    stiffness = _summed(points, normals, 1.0 / compliance, about)
    for pin in pins:
        across = np.eye(3) - np.outer(pin.axis_lps, pin.axis_lps)
        jacobian = np.hstack([-cross_matrix(pin.point_lps_mm - about), np.eye(3)])
        stiffness = stiffness + jacobian.T @ across @ jacobian / pin.compliance_mm_per_n
    return _inverse(stiffness, _arm_mm(points))


def movement_under_load(
    contacts: Iterable[Contact],
    pins: Iterable[Pin],
    at_lps_mm: ArrayLike,
    axis_lps: ArrayLike,
    axial_n: float,
    axial_spread: float,
    lateral_n: float,
) -> PoseCovariance:
    """Give the guide's movement while a drill presses at a point: mean from the axial load, spread from both.

    Parameters
    ----------
    at_lps_mm : array of shape (3,)
        Where the drill bears on the guide (sleeve top).
    axial_n, axial_spread : float
        Mean load along the drill (N) and its spread as a share of it.
    lateral_n : float
        Standard deviation of the load across the drill, per axis (N).
    """
    at = np.asarray(at_lps_mm, dtype=np.float64)
    axis = unit(axis_lps)
    matrix = compliance_matrix(contacts, pins, at)
    side = perpendicular(axis)
    pushes = np.zeros((3, 6))
    pushes[0, 3:] = axial_spread * axial_n * axis
    pushes[1, 3:] = lateral_n * side
    pushes[2, 3:] = lateral_n * np.cross(axis, side)
    moved = pushes @ matrix.T
    mean = matrix @ np.concatenate([np.zeros(3), axial_n * axis])
    return PoseCovariance(moved.T @ moved, at, mean)


def free_end_deflection_mm(
    load_n: float, length_mm: float, width_mm: float, wall_mm: float, modulus_n_per_mm2: float
) -> float:
    """Give how far the free end of a guide bends under a load at its end: F L^3 / (3 E I), I = w t^3 / 12."""
    if min(width_mm, wall_mm, modulus_n_per_mm2) <= 0.0 or length_mm < 0.0:
        raise PlannerError("A guide's free end needs a width, a wall and a stiffness above zero.", "")
    inertia = width_mm * wall_mm**3 / 12.0
    return float(load_n * length_mm**3 / (3.0 * modulus_n_per_mm2 * inertia))


def unsupported_length_mm(point_lps_mm: ArrayLike, contacts: Iterable[Contact]) -> float:
    """Give how far a point lies beyond the outermost contact, seen from the contacts' centre, mm."""
    points, _, _, _ = _arrays(contacts)
    centre = points.mean(axis=0)
    out = np.asarray(point_lps_mm, dtype=np.float64) - centre
    length = float(np.linalg.norm(out))
    if length < 1e-9:
        return 0.0
    reach = float(((points - centre) @ (out / length)).max())
    return max(0.0, length - reach)
