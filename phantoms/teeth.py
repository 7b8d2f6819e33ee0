"""Teeth as smooth closed shapes in their own frames: crown, roots, pulp, enamel.

A tooth's own frame is right-handed, in mm: origin at the middle of the cervix (the enamel-cement junction), y
outward (to lip or cheek), z towards the chewing surface, and x along the arch (in the lower jaw towards the
patient's right).
"""

from __future__ import annotations

import math

import numpy as np
from attrs import field, frozen
from numba import njit

from planner_core.geometry.frames import FloatArray, readonly

# Columns of a tooth's parameter row.
KIND, HEIGHT, ROOT, HALF_MD, HALF_BL, NECK_MD, NECK_BL, ROOTS, SPREAD, BEND, LEAN, ENAMEL, CUSP, MESIAL, WEAR = (
    range(15)
)
PARAMETERS = 15

INCISOR, CANINE, PREMOLAR, MOLAR = 0.0, 1.0, 2.0, 3.0
FURCATION = 0.24
"""Share of the root length at which a molar's root trunk parts (M)."""
ROUND_MM = 0.7
"""Radius of the rounding between a crown's side and its chewing surface."""

# kind, crown height, root length, crown width (along the arch), crown depth (across), neck width, neck depth,
# roots, enamel thickness at the cusp; mm. Round averages of dental anatomy teaching (M), for the phantom only.
_LOWER = {
    1: (INCISOR, 9.0, 12.5, 5.2, 6.0, 3.6, 5.3, 1, 0.9),
    2: (INCISOR, 9.4, 13.5, 5.8, 6.4, 3.9, 5.8, 1, 0.9),
    3: (CANINE, 10.8, 15.5, 6.9, 7.7, 5.2, 7.0, 1, 1.1),
    4: (PREMOLAR, 8.6, 14.0, 7.1, 7.6, 4.9, 6.5, 1, 1.5),
    5: (PREMOLAR, 8.1, 14.5, 7.2, 8.2, 5.1, 7.0, 1, 1.6),
    6: (MOLAR, 7.6, 14.0, 11.1, 10.4, 8.9, 8.8, 2, 1.9),
    7: (MOLAR, 7.1, 13.0, 10.6, 10.1, 8.7, 8.7, 2, 1.9),
    8: (MOLAR, 7.0, 11.0, 10.2, 9.6, 8.4, 8.4, 2, 1.8),
}
_UPPER = {
    1: (INCISOR, 10.5, 13.0, 8.6, 7.1, 6.5, 6.2, 1, 1.0),
    2: (INCISOR, 9.2, 13.0, 6.7, 6.2, 5.0, 5.5, 1, 1.0),
    3: (CANINE, 10.2, 17.0, 7.6, 8.1, 5.7, 7.2, 1, 1.2),
    4: (PREMOLAR, 8.6, 14.0, 7.1, 9.1, 5.0, 8.1, 1, 1.6),
    5: (PREMOLAR, 8.4, 14.0, 6.8, 9.0, 4.9, 8.0, 1, 1.6),
    6: (MOLAR, 7.6, 12.8, 10.3, 11.2, 8.1, 10.1, 3, 2.0),
    7: (MOLAR, 7.1, 12.0, 9.5, 11.0, 7.8, 10.0, 3, 2.0),
    8: (MOLAR, 6.6, 11.0, 8.8, 10.2, 7.4, 9.4, 3, 1.9),
}


@frozen(eq=False)
class Tooth:
    """One tooth (or the crown that stands for a missing one).

    Parameters
    ----------
    iso : int
        ISO 3950 two-digit number.
    parameters : array of shape (PARAMETERS,)
    jaw_from_tooth : array of shape (4, 4)
        Columns are the tooth's axes in the jaw frame, then its origin.
    present : bool
        False when the root and the natural crown are gone.
    """

    iso: int
    parameters: FloatArray = field(converter=readonly)
    jaw_from_tooth: FloatArray = field(converter=readonly)
    present: bool = True

    @property
    def tooth_from_jaw(self) -> FloatArray:
        """Matrix of shape (4, 4) into the tooth's own frame."""
        return np.asarray(np.linalg.inv(self.jaw_from_tooth))

    def root_centres(self) -> list[tuple[float, float, float, float]]:
        """Give (x, y, half width, half depth) of each root's middle at its apex end, tooth frame."""
        return _root_layout(self.parameters)

    def apexes_mm(self) -> FloatArray:
        """Give the root tips, shape (roots, 3), in the tooth's own frame."""
        p = self.parameters
        tips = [(x, y, -p[ROOT]) for x, y, _, _ in _root_layout(p)]
        return np.array(tips)


def _root_layout(p: FloatArray) -> list[tuple[float, float, float, float]]:
    """Middle of each root at the tip; mirrors the compiled `root_distance`."""
    bend = float(p[BEND])
    if p[ROOTS] < 1.5:
        return [(bend, 0.0, 0.3, 0.3)]
    out = 0.50 * float(p[NECK_MD]) + float(p[SPREAD])
    if p[ROOTS] < 2.5:
        return [(out + bend, 0.0, 0.3, 0.3), (-out + bend, 0.0, 0.3, 0.3)]
    across = 0.48 * float(p[NECK_BL]) + float(p[SPREAD])
    return [(out + bend, across, 0.3, 0.3), (-out + bend, across, 0.3, 0.3), (bend, -across, 0.3, 0.3)]


def tooth_parameters(iso: int, rng: np.random.Generator | None = None, mesial_sign: float = 1.0) -> FloatArray:
    """Give the parameter row of a tooth, varied by a few per cent when `rng` is given."""
    upper = iso // 10 in (1, 2)
    kind, height, root, width, depth, neck_md, neck_bl, roots, enamel = (_UPPER if upper else _LOWER)[iso % 10]
    p = np.zeros(PARAMETERS)
    p[KIND], p[HEIGHT], p[ROOT] = kind, height, root
    p[HALF_MD], p[HALF_BL], p[NECK_MD], p[NECK_BL] = width / 2, depth / 2, neck_md / 2, neck_bl / 2
    p[ROOTS], p[ENAMEL], p[MESIAL] = roots, enamel, mesial_sign
    p[SPREAD] = 0.6 if roots > 1 else 0.0
    p[CUSP] = {INCISOR: 0.25, CANINE: 1.6, PREMOLAR: 1.9, MOLAR: 1.7}[kind]
    p[LEAN] = {INCISOR: -1.3, CANINE: -1.2, PREMOLAR: -0.5, MOLAR: -0.4}[kind] if not upper else 0.4
    p[BEND] = -0.5 * mesial_sign  # root tips bend away from the midline
    if rng is not None:
        p[ROOT] *= 1 + 0.06 * rng.standard_normal()
        p[HALF_BL] *= 1 + 0.03 * rng.standard_normal()
        p[NECK_BL] *= 1 + 0.03 * rng.standard_normal()
        p[BEND] *= 1 + 0.8 * rng.standard_normal()
        p[SPREAD] *= abs(1 + 0.5 * rng.standard_normal())
        p[WEAR] = 0.5 * rng.random()
        p[CUSP] *= 1 - 0.4 * rng.random()
    return p


def crown_width_mm(iso: int) -> float:
    """Give the mean width of a tooth's crown along the arch (mm)."""
    return float((_UPPER if iso // 10 in (1, 2) else _LOWER)[iso % 10][3])


@njit(nogil=True, cache=True)
def _ellipse(x, y, a, b, boxy):
    """Give about the distance (mm) to the side of an ellipse, or of a rounded box, with half axes a and b."""
    u, v = abs(x) / a, abs(y) / b
    if u + v < 1e-9:
        return -min(a, b)
    if not boxy:
        q = math.sqrt(u * u + v * v)
        gx, gy = u / (q * a), v / (q * b)
    else:
        # Power 5/2, so that square roots do most of the work.
        q = (u * u * math.sqrt(u) + v * v * math.sqrt(v)) ** 0.4
        gx, gy = (u / q) * math.sqrt(u / q) / a, (v / q) * math.sqrt(v / q) / b
    # First-order distance f / |grad f| of f = q - 1 (Taubin 1991, M), bounded near the middle where it fails.
    return max((q - 1.0) / math.sqrt(gx * gx + gy * gy + 1e-12), -min(a, b))


@njit(nogil=True, cache=True)
def smooth_max(a, b, k):
    """Give the larger of two distances, the edge rounded over about `k` mm."""
    h = max(k - abs(a - b), 0.0) / k
    return max(a, b) + h * h * k * 0.25


@njit(nogil=True, cache=True)
def smooth_min(a, b, k):
    """Give the smaller of two distances, the groove filled over about `k` mm."""
    h = max(k - abs(a - b), 0.0) / k
    return min(a, b) - h * h * k * 0.25


@njit(nogil=True, cache=True)
def chewing_height(x, y, a, b, p):
    """Give the height (mm) of the chewing surface over the cervix at a place in the tooth's frame."""
    height = p[HEIGHT] - p[WEAR]
    kind = p[KIND]
    if kind == 0.0:
        return height - p[CUSP] * (x / a) ** 2
    if kind == 1.0:
        return height - p[CUSP] * math.sqrt((x / a) ** 2 + 0.02)
    top = 0.0
    if kind == 2.0:
        for sy in (-1.0, 1.0):
            dx, dy = x / (0.62 * a), (y - sy * 0.50 * b) / (0.48 * b)
            rise = (1.0 if sy > 0 else 0.62) * math.exp(-0.5 * (dx * dx + dy * dy) * 1.3)
            top = max(top, rise)
    else:
        for sx in (-1.0, 1.0):
            for sy in (-1.0, 1.0):
                dx, dy = (x - sx * 0.46 * a) / (0.36 * a), (y - sy * 0.46 * b) / (0.38 * b)
                rise = (1.0 if sx * p[MESIAL] > 0 else 0.88) * math.exp(-0.5 * (dx * dx + dy * dy) * 0.9)
                top = max(top, rise)
    # The marginal ridges close the fossa towards the neighbours.
    ridge = 0.55 * math.exp(-(((abs(x) - 0.86 * a) / (0.2 * a)) ** 2))
    return height - p[CUSP] * (1.0 - max(top, ridge))


@njit(nogil=True, cache=True)
def crown_distance(x, y, z, p):
    """Give the signed distance (mm, about) to the crown's outer surface; the crown starts at z = 0."""
    height = p[HEIGHT]
    w = min(max(z / height, 0.0), 1.15)
    if p[KIND] <= 1.0:
        bulge = math.sin(0.5 * math.pi * min(w / 0.75, 1.0))
        a = p[NECK_MD] + (p[HALF_MD] - p[NECK_MD]) * bulge
        edge = 0.7 if p[KIND] == 0.0 else 0.9
        low = min(w / 0.22, 1.0)
        b = (p[NECK_BL] + (p[HALF_BL] - p[NECK_BL]) * low) * (1.0 - w) ** 0.85 + edge * w if w < 1.0 else edge
    else:
        bulge = math.sin(0.5 * math.pi * min(w / 0.55, 1.0))
        over = max(w - 0.62, 0.0) / 0.38
        a = p[NECK_MD] + (p[HALF_MD] - p[NECK_MD]) * bulge - 0.05 * p[HALF_MD] * over * over
        bulge_b = math.sin(0.5 * math.pi * min(w / 0.38, 1.0))
        over_b = max(w - 0.38, 0.0) / 0.62
        b = p[NECK_BL] + (p[HALF_BL] - p[NECK_BL]) * bulge_b - 0.20 * p[HALF_BL] * over_b * over_b
    yc = y - p[LEAN] * w
    side = _ellipse(x, yc, a, b, True)
    top = (z - chewing_height(x, yc, a, b, p)) * 0.85
    return max(smooth_max(side, top, ROUND_MM), -z - 0.3)


@njit(nogil=True, cache=True)
def _root_part(x, y, a, b):
    return _ellipse(x, y, max(a, 0.25), max(b, 0.25), False)


@njit(nogil=True, cache=True)
def root_distance(x, y, z, p):
    """Give the signed distance (mm, about) to the roots' outer surface; roots reach from z = 0.3 down."""
    length = p[ROOT]
    u = min(max(-z / length, 0.0), 1.0)
    if p[ROOTS] < 1.5:
        taper = (1.0 - 0.50 * u) * math.sqrt(max(1.0 - u**5, 0.0))
        side = _root_part(x - p[BEND] * u * u, y, p[NECK_MD] * taper, p[NECK_BL] * taper)
        return max(side, -(z + length), z - 0.3)
    a0, b0 = p[NECK_MD], p[NECK_BL]
    trunk = _root_part(x, y, a0 * (1.0 - 0.25 * u), b0 * (1.0 - 0.15 * u))
    trunk = max(trunk, -(z + length * (FURCATION + 0.04)))
    end = math.sqrt(max(1.0 - u**6, 0.0))
    move = p[BEND] * u * u
    best = trunk
    if p[ROOTS] < 2.5:
        out = 0.50 * a0 + p[SPREAD] * u
        for sign in (-1.0, 1.0):
            side = _root_part(
                x - sign * out - move, y, 0.44 * a0 * (1 - 0.35 * u) * end, b0 * (0.92 - 0.5 * u) * end
            )
            best = smooth_min(best, max(side, z + length * 0.1), 0.6)
    else:
        out, across = 0.50 * a0 + p[SPREAD] * u, 0.48 * b0 + p[SPREAD] * u
        for k in range(3):
            cx = out if k == 0 else (-out if k == 1 else 0.0)
            cy = across if k < 2 else -across
            thick = (1 - 0.45 * u) * end
            side = _root_part(x - cx - move, y - cy, 0.42 * a0 * thick, 0.40 * b0 * thick)
            best = smooth_min(best, max(side, z + length * 0.1), 0.6)
    return max(best, -(z + length), z - 0.3)


@njit(nogil=True, cache=True)
def pulp_distance(x, y, z, p):
    """Give the signed distance (mm, about) to pulp chamber and root canals."""
    length = p[ROOT]
    u = min(max(-z / length, 0.0), 1.0)
    move = p[BEND] * u * u
    chamber = math.sqrt((x / (0.30 * p[NECK_MD])) ** 2 + (y / (0.30 * p[NECK_BL])) ** 2 + ((z - 1.0) / 2.6) ** 2)
    best = (chamber - 1.0) * 0.30 * p[NECK_MD]
    wide = 0.55 - 0.35 * u
    if p[ROOTS] < 1.5:
        best = min(best, max(math.sqrt((x - move) ** 2 + (0.6 * y) ** 2) - wide, z - 1.0))
    else:
        out = 0.50 * p[NECK_MD] + p[SPREAD] * u
        across = 0.0 if p[ROOTS] < 2.5 else 0.48 * p[NECK_BL] + p[SPREAD] * u
        for k in range(2 if p[ROOTS] < 2.5 else 3):
            cx = out if k == 0 else (-out if k == 1 else 0.0)
            cy = across if k < 2 else -across
            near = math.sqrt((x - cx - move) ** 2 + (0.5 * (y - cy)) ** 2)
            best = min(best, max(near - 0.8 * wide, z - 0.2))
    return max(best, -(z + length - 0.6))


@njit(nogil=True, cache=True)
def enamel_thickness(z, p):
    """Give the enamel's thickness (mm) at a height over the cervix."""
    w = min(max(z / (p[HEIGHT] * 0.8), 0.0), 1.0)
    return p[ENAMEL] * (0.08 + 0.92 * math.sqrt(w)) if z > 0.0 else 0.0
