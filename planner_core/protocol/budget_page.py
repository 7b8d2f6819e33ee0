"""The error budget as it is printed: advice, every site, every guide, and what the numbers stand on."""

from __future__ import annotations

from attrs import frozen

from planner_core.protocol.sites import SiteName


@frozen
class SiteRow:
    """One site; lengths in mm, angle in degrees, chances 0..1, None where nothing is marked near."""

    site: SiteName
    obstacle: str
    chance: float | None
    limit: float | None
    leeway_mm: float | None
    need_mm: float | None
    within_limits: bool
    chance_all: float
    """Of everything marked near, by formula."""
    drawn: tuple[float, float, float]
    """The same by random draws: value and 95 % limits."""
    entry_p95_mm: float
    apex_p95_mm: float
    angle_p95_deg: float
    depth_p95_mm: float
    shares: tuple[tuple[str, float], ...]
    """Source and its share of the variance at the apex, largest first; they add up to 1."""
    helps: tuple[tuple[str, float], ...]
    """Change and the chance of harm with it, the one that helps most first."""


@frozen
class GuideRow:
    """One guide of the table."""

    guide: str
    verdict: str
    chance: float
    spare_mm: float | None
    burden: str
    why: str


@frozen
class FigureRow:
    """A published figure beside the model's."""

    series: str
    published: str
    ours: str
    verdict: str


@frozen
class BudgetPage:
    """Everything on the page."""

    guide: str
    """The guide that the sites' numbers hold for."""
    advice: str
    passes: bool
    then: tuple[str, ...]
    hangs_on: str
    case_chance: tuple[float, float, float, int]
    """Chance of harm anywhere in the case: value, 95 % limits, draws."""
    agreement: tuple[str, ...]
    sites: tuple[SiteRow, ...]
    guides: tuple[GuideRow, ...]
    own_data: str
    published: tuple[FigureRow, ...]
    sayings: tuple[str, ...]
    assumed: tuple[tuple[str, str, str], ...]
    """Label, value and mark of everything that nothing published stands behind."""
    limits: str
