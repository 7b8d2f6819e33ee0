"""What the error model is told about the guide."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from attrs import evolve, field, frozen

from planner_core.errors import PlannerError
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.published import PoseSpread
from planner_core.planning.seating import BearingPlaces, Contact, Pin

DEFAULT_HARM_LIMIT = 0.01
"""Accepted chance of harm per site for a canal (our choice; about what 2 mm mean, FACTS.md section 0 row 11)."""

FALLBACK_SLEEVE = Sleeve("Generic sleeve, bore 5.0, height 5", 5.0, 6.0, 5.0, 4.0, 0.10)
"""The sleeve that a budget assumes for a site that has none yet (our generic one)."""


def _frozen(values: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(dict(values))


@frozen(eq=False)
class GuideInputs:
    """Support, guidance and parts of one guide, with every number that differs from the default.

    Parameters
    ----------
    places : BearingPlaces or None
        Where the guide bears; None = a typical full-arch guide is assumed, and said.
    contacts : tuple of Contact
        The bearings with their own spreads and gives, in place of `places` (`seating.bearings`).
    pins : tuple of Pin
    free_end_mm : mapping of site to mm
        Unsupported length of the guide out to a site.
    values : mapping of name to number
        Numbers of `DEFAULTS` that are set otherwise.
    execution : PoseSpread or None
        The execution term, where the clinic's own outcomes have updated it (`own_data`).
    guidance_extra : PoseSpread or None
        What less guidance adds, where it is not the fitted term.
    sockets : frozenset of sites
        Sites in an extraction socket.
    pilot_drift : mapping of site to PoseSpread
        Drift of later, unguided drills computed from the density round the bore (`pilot_drift`); replaces the
        published mean where given.
    engaged_mm : float or None
        Length of drill or key really held by the sleeve; None = the sleeve's height.
    harm_limit : float
        Accepted chance of harm at a canal, per site.
    """

    support: Support = Support.TEETH
    guidance: Guidance = Guidance.FULL
    sleeves: Mapping[str, Sleeve] = field(converter=_frozen, factory=dict)
    drills: DrillList | None = None
    contacts: tuple[Contact, ...] = ()
    places: BearingPlaces | None = None
    pins: tuple[Pin, ...] = ()
    wall_mm: float = 3.0
    free_end_mm: Mapping[str, float] = field(converter=_frozen, factory=dict)
    values: Mapping[str, float] = field(converter=_frozen, factory=dict)
    execution: PoseSpread | None = None
    execution_source: str = ""
    guidance_extra: PoseSpread | None = None
    sockets: frozenset[str] = frozenset()
    pilot_drift: Mapping[str, PoseSpread] = field(converter=_frozen, factory=dict)
    engaged_mm: float | None = None
    harm_limit: float = DEFAULT_HARM_LIMIT
    remembered: dict[Any, Any] = field(factory=dict, init=False, repr=False)
    """What was worked out from these inputs alone and is needed again at every step of a drag."""

    def __attrs_post_init__(self) -> None:
        unknown = set(self.values) - set(DEFAULTS)
        if unknown:
            raise PlannerError(
                f"The error model has no number called {sorted(unknown)[0]!r}.", "Use a name of its list."
            )
        if not 0.0 < self.harm_limit < 1.0:
            raise PlannerError(f"A limit of {self.harm_limit:g} is no chance.", "Give a share between 0 and 1.")

    @property
    def guided(self) -> bool:
        """Whether any guide is used."""
        return self.support != Support.NONE and self.guidance != Guidance.FREE_HAND

    @property
    def bearings_known(self) -> bool:
        """Whether it is known where the guide bears."""
        return bool(self.contacts) or (self.places is not None and self.places.support == self.support)

    def value(self, name: str) -> float:
        """Give one of the model's numbers, the user's where set."""
        return float(self.values.get(name, DEFAULTS[name].value))

    def all_values(self) -> dict[str, float]:
        """Give all of the model's numbers by name."""
        return {name: self.value(name) for name in DEFAULTS}

    def sleeve(self, site: str) -> Sleeve:
        """Give the sleeve of a site, or the assumed generic one."""
        found: Sleeve = self.sleeves.get(site, FALLBACK_SLEEVE)
        return found

    def changed(self, **values: float) -> GuideInputs:
        """Give the inputs with some of the model's numbers set."""
        return evolve(self, values={**self.values, **values})
