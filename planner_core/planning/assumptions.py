"""Everything that the budget assumes, with source and mark, so that the screen can list what is our own choice."""

from __future__ import annotations

from attrs import frozen

from planner_core.planning import carriers, eligibility, gathered, harm, own_data, pilot_drift, published, seating
from planner_core.planning.defaults import DEFAULTS, OUR_CHOICE
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT, GuideInputs
from planner_core.planning.obstacles import LANDMARK_SIGMA_MM, UNCERTAIN_COURSE_SIGMA_MM, ObstacleKind
from planner_core.planning.targets import DRILL_NARROWER_MM, PERFORATION_FROM_MM, UNKNOWN_OVERSHOOT_MM

PRACTICE = "common practice, no source"


@frozen
class Assumption:
    """One number or rule that the budget stands on.

    Parameters
    ----------
    value, plausible : str
        As printed, with unit; `plausible` is empty where no range is tried.
    mark : str
        S seen in the source, S2 in a secondary page, M from memory or common practice, C computed, "our choice".
    changed : bool
        The user has set it otherwise than the default.
    """

    label: str
    value: str
    plausible: str
    source: str
    mark: str
    changed: bool = False

    @property
    def unsourced(self) -> bool:
        """Whether nothing published stands behind it."""
        return self.mark in (OUR_CHOICE, "M")


def assumptions(guide: GuideInputs | None = None) -> tuple[Assumption, ...]:
    """Give everything that a budget assumes, what is our choice or from memory first."""
    inputs = guide or GuideInputs()
    found = [
        Assumption(
            q.label,
            f"{inputs.value(name):g} {q.unit}".replace(" -", ""),
            f"{q.low:g} to {q.high:g}",
            q.source,
            q.mark,
            inputs.value(name) != q.value,
        )
        for name, q in DEFAULTS.items()
    ]
    found += _others(inputs)
    return tuple(sorted(found, key=lambda a: not a.unsourced))


def _chosen(label: str, value: str, source: str = OUR_CHOICE, mark: str = OUR_CHOICE) -> Assumption:
    return Assumption(label, value, "", source, mark)


def _others(guide: GuideInputs) -> list[Assumption]:
    limits = harm.HARM_LIMITS
    return [
        Assumption(
            "accepted chance of harm: canal, vessel, lesion",
            f"{100 * guide.harm_limit:g} %",
            "",
            "our choice; about what a distance of 2 mm means (FACTS.md section 0, row 11)",
            OUR_CHOICE,
            guide.harm_limit != DEFAULT_HARM_LIMIT,
        ),
        _chosen("accepted chance of harm: root", f"{100 * limits[ObstacleKind.ROOT]:g} %"),
        _chosen("accepted chance of coming out of the bone", f"{100 * limits[ObstacleKind.BONE_SURFACE]:g} %"),
        _chosen(
            "a bias away from an obstacle is credited up to", f"{harm.CREDITED_BIAS_MM:g} mm",
            "weak end of the published -0.25 to -0.57 mm; four papers have the opposite sign (consensus 2018)",
        ),
        _chosen("walls of the bone count from this depth", f"{PERFORATION_FROM_MM:g} mm"),
        _chosen("a course that was not seen is known to, per axis", f"{UNCERTAIN_COURSE_SIGMA_MM:g} mm"),
        _chosen(
            "a landmark set by hand is known to, per axis", f"{LANDMARK_SIGMA_MM:g} mm",
            "Tomasi et al. 2011, Dentomaxillofac Radiol 40:244 (0.36 to 0.48 mm)", "S",
        ),
        _chosen("a drill tip of unknown length reaches further by", f"{UNKNOWN_OVERSHOOT_MM:g} mm",
                "drilling-protocol page, 1 to 2 mm", "S2"),
        _chosen("last drill narrower than the fixture, where no list is chosen", f"{DRILL_NARROWER_MM:g} mm"),
        _chosen("bearings of a guide whose bearings are not given",
                f"{seating.TYPICAL_FEET} on a ring of {seating.TYPICAL_RADIUS_MM:g} mm"),
        _chosen("thickness that the numbers of mucosa stand for", f"{carriers.REFERENCE_MUCOSA_MM:g} mm"),
        _chosen("bearings along mucosa and bone every", f"{carriers.BEARING_EVERY_MM:g} mm"),
        _chosen("teeth that must carry a guide, at least", f"{eligibility.MIN_CARRIER_TEETH}", PRACTICE, "M"),
        _chosen("mucosa too thick to carry, above", f"{eligibility.THICK_MUCOSA_MM:g} mm"),
        _chosen("rim of keratinised tissue beside a punch", f"{eligibility.PUNCH_RIM_MM:g} mm", PRACTICE, "M"),
        _chosen("handpiece head and drill above the sleeve",
                f"{eligibility.HANDPIECE_HEAD_MM + eligibility.DRILL_IN_CHUCK_MM:g} mm", PRACTICE, "M"),
        _chosen("fixture of the reference configurations", f"{published.REFERENCE_LENGTH_MM:g} mm long"),
        _chosen("mixture that the published means are compared with", "a third each of teeth, mucosa, bone"),
        _chosen("the published prior is worth", f"{own_data.PRIOR_CASES:g} cases"),
        _chosen("likeness of the errors of one guide's fixtures", f"{own_data.WITHIN_GUIDE_CORRELATION:g}"),
        _chosen("drift by density: share of the growth in radius", f"{pilot_drift.DRIFT_FACTOR:g}"),
        _chosen("what differs between operators", ", ".join(sorted(gathered.HAND))),
    ]  # fmt: skip


@frozen
class TradeFact:
    """Something the trade says, unmeasured; shown as that and never used as a number."""

    text: str
    source: str = "common practice, no source, unmeasured"


TRADE_FACTS: tuple[TradeFact, ...] = (
    TradeFact("With full guidance the fixture lands within about 0.2 mm of what the guide was designed for."),
    TradeFact("In abundant bone an error of 0.20 to 0.25 mm on mucosa does no harm."),
    TradeFact("A thin ridge asks for a guide on bone."),
    TradeFact("After a 2.0 mm pilot alone the later drills drift."),
)
"""In-house sayings; the published clinical errors are far larger. Both are shown, and which is which."""
