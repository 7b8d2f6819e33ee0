"""The guide as a rigid body on its contacts: how it seats, how it moves under load, how its free ends bend."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, cross_matrix
from planner_core.geometry.frames import FloatArray, perpendicular, readonly, readonly_unit, unit
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.drilling import Support

WEAK_SPRING = 1e-6
"""Share of the stiffest direction that holds a guide where no contact does, so that a free direction comes out as a
very large error and not as a failure (our choice)."""

STANDING = ((3, 0.0, 1.0), (4, 0.42, 1.5), (6, 0.66, 1.85), (8, 0.86, 2.05), (12, 1.08, 2.4))
"""A rigid guide on firm ground stands on its three highest bearings: number of bearings, how proud it stands over
the standard deviation of one bearing, and how much wider its height and tilt spread than a fit to all would.

C: linear programme of a plane on a ring of normally rough bearings, 1,500 draws each (tests repeat it).
"""

PIN_COMPLIANCE = DEFAULTS["pin_compliance_mm_per_n"].value

UPRIGHT = 0.7
"""Cosine to the way out of the jaw from which a contact is one that the guide stands on (our choice)."""

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
    compliance_mm_per_n: float | None = None
    """None: the model's number (`defaults`)."""


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
    support: Support, points_lps_mm: ArrayLike, normals_lps: ArrayLike, values: Mapping[str, float]
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


def _stiffness(support: Support, values: Mapping[str, float]) -> tuple[float, float, float]:
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


class Bearing(NamedTuple):
    """Contacts as arrays: points (n, 3), unit normals (n, 3), sigma (n,) and compliance (n,)."""

    points_lps_mm: FloatArray
    normals_lps: FloatArray
    sigma_mm: FloatArray
    compliance_mm_per_n: FloatArray

    @property
    def centre_lps_mm(self) -> FloatArray:
        """Centre of the contacts."""
        return np.asarray(self.points_lps_mm.mean(axis=0))


@frozen(eq=False)
class BearingPlaces:
    """Where a guide bears, before the model's numbers are put in: a bearing holds in three directions.

    Parameters
    ----------
    points_lps_mm : array of shape (n, 3)
    normals_lps : array of shape (n, 3)
        Unit vectors out of the tissue.
    softness : array of shape (n,)
        Factor on spread and give: mucosa thicker than the model's numbers stand for.
    words : str
        What carries, as the user reads it.
    """

    support: Support
    points_lps_mm: FloatArray = field(converter=readonly)
    normals_lps: FloatArray = field(converter=readonly)
    softness: FloatArray = field(converter=readonly)
    words: str = ""

    def __attrs_post_init__(self) -> None:
        if not len(self.points_lps_mm):
            raise PlannerError("The guide rests on nothing.", "Choose teeth, mucosa areas or bone that carry it.")
        if not np.all(self.softness > 0.0):
            raise PlannerError("A bearing of the guide needs a thickness above zero.", "Correct it.")

    def bearing(self, values: Mapping[str, float]) -> Bearing:
        """Give the contacts by the model's numbers; a tooth holds alike in all directions, others less along."""
        sigma, compliance, sliding = _stiffness(self.support, values)
        sides = np.array([perpendicular(n) for n in self.normals_lps])
        normals = np.stack([self.normals_lps, sides, np.cross(self.normals_lps, sides)], axis=1)
        softer = np.array([1.0, sliding, sliding])
        return Bearing(
            np.repeat(self.points_lps_mm, 3, axis=0),
            normals.reshape(-1, 3),
            (sigma * self.softness[:, None] * softer).ravel(),
            (compliance * self.softness[:, None] * softer**2).ravel(),
        )


def bearing_of(contacts: Iterable[Contact]) -> Bearing:
    """Give contacts as arrays."""
    members = tuple(contacts)
    if not members:
        raise PlannerError("The guide rests on nothing.", "Choose teeth, mucosa areas or bone that carry it.")
    return Bearing(
        np.array([c.point_lps_mm for c in members]),
        np.array([c.normal_lps for c in members]),
        np.array([c.sigma_mm for c in members]),
        np.array([c.compliance_mm_per_n for c in members]),
    )


def typical_bearing(
    support: Support, centre_lps_mm: ArrayLike, up_lps: ArrayLike, values: Mapping[str, float]
) -> Bearing:
    """Give the contacts of a guide whose bearings are not known: six on a ring of 20 mm across `up_lps`."""
    sigma, compliance, sliding = _stiffness(support, values)
    points = np.repeat(typical_points(centre_lps_mm, up_lps), 3, axis=0)
    up = unit(up_lps)
    side = perpendicular(up)
    normals = np.tile(np.array([up, side, np.cross(up, side)]), (TYPICAL_FEET, 1))
    softer = np.tile([1.0, sliding, sliding], TYPICAL_FEET)
    return Bearing(points, normals, sigma * softer, compliance * softer**2)


def _arm_mm(points: FloatArray) -> float:
    spread = points - points.mean(axis=0)
    return max(1.0, float(np.sqrt(np.mean(np.einsum("ij,ij->i", spread, spread)))))


def standing(bearing: Bearing, up_lps: ArrayLike) -> tuple[Bearing, float]:
    """Give the bearing of a guide that stands on firm ground (teeth, bone), and how proud it stands, mm.

    Tissue only pushes: the guide touches its three highest bearings. Contacts along `up_lps` spread wider by
    `STANDING`; those across it are left as they are.
    """
    across = np.abs(bearing.normals_lps @ unit(up_lps)) > UPRIGHT
    count = int(across.sum())
    if count <= 3:
        return bearing, 0.0
    number, proud, wider = np.array(STANDING).T
    factor = np.where(across, np.sqrt(float(np.interp(count, number, wider))), 1.0)
    sigma = float(np.mean(bearing.sigma_mm[across]))
    return bearing._replace(sigma_mm=bearing.sigma_mm * factor), float(np.interp(count, number, proud)) * sigma


def seating_covariance(
    contacts: Bearing | Iterable[Contact], bias_lps_mm: ArrayLike = (0.0, 0.0, 0.0)
) -> PoseCovariance:
    """Give how a rigid guide comes to rest: the inverse of the summed stiffness of its contacts.

    Each contact weighs ``1 / sigma^2`` along its normal. With contacts that hold alike in all directions this is
    Fitzpatrick's target registration error (1998, eq. 46). A short span, a free end or a one-sided support shows by
    itself as a soft direction.

    Parameters
    ----------
    contacts : Bearing or iterable of Contact
    bias_lps_mm : array of shape (3,)
        Mean shift of the whole guide (proud or sunk).
    """
    held = contacts if isinstance(contacts, Bearing) else bearing_of(contacts)
    about = held.centre_lps_mm
    stiffness = _summed(held.points_lps_mm, held.normals_lps, held.sigma_mm**-2.0, about)
    covariance = _inverse(stiffness, _arm_mm(held.points_lps_mm))
    mean = np.concatenate([np.zeros(3), np.asarray(bias_lps_mm, dtype=np.float64)])
    return PoseCovariance((covariance + covariance.T) / 2.0, about, mean)


def compliance_matrix(
    contacts: Bearing | Iterable[Contact], pins: Iterable[Pin], about_lps_mm: ArrayLike
) -> FloatArray:
    """Give the 6x6 matrix that takes a load (torque N mm, force N; about a point) to the guide's movement.

    The movement is ordered as `SIX_VECTOR_ORDER`. Pins hold across their axis.
    """
    held = contacts if isinstance(contacts, Bearing) else bearing_of(contacts)
    about = np.asarray(about_lps_mm, dtype=np.float64)
    stiffness = _summed(held.points_lps_mm, held.normals_lps, 1.0 / held.compliance_mm_per_n, about)
    for pin in pins:
        across = np.eye(3) - np.outer(pin.axis_lps, pin.axis_lps)
        jacobian = np.hstack([-cross_matrix(pin.point_lps_mm - about), np.eye(3)])
        give = PIN_COMPLIANCE if pin.compliance_mm_per_n is None else pin.compliance_mm_per_n
        stiffness = stiffness + jacobian.T @ across @ jacobian / give
    return _inverse(stiffness, _arm_mm(held.points_lps_mm))


def movements_under_load(
    compliance: FloatArray,
    about_lps_mm: FloatArray,
    at_lps_mm: FloatArray,
    axes_lps: FloatArray,
    axial_n: float,
    axial_spread: float,
    lateral_n: float,
) -> tuple[FloatArray, FloatArray]:
    """Give the guide's movement while a drill presses on it, for many places at once.

    Parameters
    ----------
    compliance : array of shape (6, 6)
        `compliance_matrix` about `about_lps_mm`.
    at_lps_mm, axes_lps : arrays of shape (s, 3)
        Where each drill bears on the guide (sleeve top), and its axis.
    axial_n, axial_spread : float
        Mean load along the drill (N) and its spread as a share of it.
    lateral_n : float
        Standard deviation of the load across the drill, per axis (N).

    Returns
    -------
    covariance (s, 6, 6), mean (s, 6), about `about_lps_mm`
    """
    levers = at_lps_mm - about_lps_mm
    # Axial, and the three LPS directions less the axial one: lateral load of equal spread on all sides.
    along = np.einsum("si,sj->sij", axes_lps, axes_lps)
    force = lateral_n**2 * (np.eye(3) - along) + (axial_spread * axial_n) ** 2 * along
    wrench = np.zeros((len(levers), 6, 3))
    x, y, z = levers.T
    wrench[:, 0, 1], wrench[:, 0, 2] = -z, y
    wrench[:, 1, 0], wrench[:, 1, 2] = z, -x
    wrench[:, 2, 0], wrench[:, 2, 1] = -y, x
    wrench[:, 3, 0] = wrench[:, 4, 1] = wrench[:, 5, 2] = 1.0
    moved = compliance @ wrench
    covariance = moved @ force @ np.swapaxes(moved, 1, 2)
    return covariance, np.einsum("sij,sj->si", moved, axial_n * axes_lps)


def free_end_deflection_mm(
    load_n: float, length_mm: float, width_mm: float, wall_mm: float, modulus_n_per_mm2: float
) -> float:
    """Give how far the free end of a guide bends under a load at its end: F L^3 / (3 E I), I = w t^3 / 12."""
    if min(width_mm, wall_mm, modulus_n_per_mm2) <= 0.0 or length_mm < 0.0:
        raise PlannerError("A guide's free end needs a width, a wall and a stiffness above zero.", "")
    inertia = width_mm * wall_mm**3 / 12.0
    return float(load_n * length_mm**3 / (3.0 * modulus_n_per_mm2 * inertia))


def unsupported_length_mm(point_lps_mm: ArrayLike, places_lps_mm: ArrayLike) -> float:
    """Give how far a point lies beyond the outermost of the bearings (n, 3), seen from their centre, mm."""
    points = np.asarray(places_lps_mm, dtype=np.float64)
    centre = points.mean(axis=0)
    out = np.asarray(point_lps_mm, dtype=np.float64) - centre
    length = float(np.linalg.norm(out))
    if length < 1e-9:
        return 0.0
    reach = float(((points - centre) @ (out / length)).max())
    return max(0.0, length - reach)
