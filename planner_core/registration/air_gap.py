"""Air between a prosthesis and the mucosa in the patient's scan: a sign of poor seating."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen

from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.surface import Surface
from planner_core.registration.edges import GreyField, trilinear_at
from planner_core.registration.surface_sample import sample_surface

LOOK_MM = 3.0
"""How far from the prosthesis mucosa is looked for, mm (our choice: further off lies the other side of the
mouth)."""

STEP_MM = 0.1
"""Step along a ray, mm."""

START_MM = 0.3
"""The first part of a ray is left out: there the prosthesis' own border is blurred, mm."""

BONE_WITHIN_MM = 8.0
"""The fitting side has bone behind the mucosa within this distance; cheek and tongue have none, mm (mucosa on a
ridge is 1 to 5 mm thick; common practice, no source)."""

BONE_ABOVE = 1.4
"""Relative grey value that counts as bone on the way (soft tissue 1, bone 1.5 to 2.2; NIST XCOM at 60 keV, M)."""

TOWARDS_RIDGE = 0.0
"""Cosine with the side on which the bone lies from which a place belongs to the fitting side."""

AIR_BELOW = 0.45
"""Relative grey value under which it is air (0 = air, 1 = soft tissue; our choice near the middle)."""

TISSUE_ABOVE = 0.7
"""Relative grey value from which it is tissue again."""

NOTED_GAP_MM = 0.5
"""Gaps narrower than this cannot be told from blur, mm (about the resolution of a cone-beam scan, FACTS section
8)."""

WARN_SHARE = 0.05
"""Share of the fitting side with such a gap from which it is a warning (our choice)."""


@frozen(eq=False)
class AirGap:
    """Air between prosthesis and tissue.

    Attributes
    ----------
    width_mm : array of shape (n,)
        Width of the air at the places looked at; zero where tissue follows without air.
    points_lps_mm : array of shape (n, 3)
        Those places on the prosthesis.
    share : float
        Share of the places with a gap of `NOTED_GAP_MM` and more.
    largest_mm : float
        95th percentile of the gaps there are.
    """

    width_mm: FloatArray = field(converter=readonly)
    points_lps_mm: FloatArray = field(converter=readonly)
    share: float
    largest_mm: float

    @property
    def finding(self) -> Finding:
        """What to say about it; never that there is none, since saliva or paste hide a gap."""
        if len(self.width_mm) == 0:
            return Finding(
                Severity.WARNING,
                "air-gap-unknown",
                "No tissue was found near the prosthesis, so its seating is unknown.",
            )
        if self.share < 0.005:
            return Finding(
                Severity.NOTE,
                "no-air-seen",
                "Between prosthesis and mucosa: no air seen. Saliva or paste can hide a gap.",
            )
        severity = Severity.WARNING if self.share >= WARN_SHARE else Severity.NOTE
        return Finding(
            severity,
            "air-gap",
            f"Air lies between prosthesis and mucosa on {100 * self.share:.0f} % of the fitting side, up to "
            f"{self.largest_mm:.1f} mm wide: the prosthesis was not fully seated there.",
        )


def air_gap(field_: GreyField, prosthesis_lps: Surface, count: int = 8000) -> AirGap:
    """Measure the air between a prosthesis, placed in the patient's scan, and the mucosa under it.

    Places whose outward ray meets bone within `BONE_WITHIN_MM`, on the side where most of the bone lies, are the
    fitting side; there, air between the prosthesis and the next tissue is measured along the ray.
    """
    sample = sample_surface(prosthesis_lps, count=count)
    steps = np.arange(START_MM, BONE_WITHIN_MM + 1e-6, STEP_MM)
    values = np.stack([trilinear_at(field_, sample.points_mm + s * sample.normals) for s in steps], axis=1)
    values = np.nan_to_num(values, nan=0.0)
    bony = (values > BONE_ABOVE).any(axis=1)
    if bony.sum() < 20:
        return AirGap(np.zeros(0), np.zeros((0, 3)), 0.0, 0.0)
    ridge = (sample.normals[bony] * sample.areas_mm2[bony, None]).sum(axis=0)
    fitting = bony & (sample.normals @ ridge > TOWARDS_RIDGE * np.linalg.norm(ridge))
    width = _air_before_tissue(values[:, steps <= LOOK_MM])
    fitting &= np.isfinite(width)
    gaps, areas = width[fitting], sample.areas_mm2[fitting]
    if not len(gaps):
        return AirGap(np.zeros(0), np.zeros((0, 3)), 0.0, 0.0)
    wide = gaps >= NOTED_GAP_MM
    largest = float(np.quantile(gaps[wide], 0.95)) if wide.any() else 0.0
    return AirGap(gaps, sample.points_mm[fitting], float(areas[wide].sum() / areas.sum()), largest)


def _air_before_tissue(values: AnyArray) -> FloatArray:
    """Give the length (mm) of air on each ray before tissue comes again; nan where none comes."""
    air = values < AIR_BELOW
    # Tissue that comes after the last air of the ray; a ray without air lies in tissue all the way.
    last_air = np.where(air.any(axis=1), air.shape[1] - 1 - air[:, ::-1].argmax(axis=1), -1)
    after = np.arange(values.shape[1])[None] > last_air[:, None]
    ends_in_tissue = (after & (values > TISSUE_ABOVE)).any(axis=1)
    return np.where(ends_in_tissue, air.sum(axis=1) * STEP_MM, np.nan)
