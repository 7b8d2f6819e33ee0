"""What in a plan is no longer of today: parts drawn on another scan, results made from other inputs."""

from __future__ import annotations

from attrs import frozen

from planner_core.case.fingerprints import bone_inputs, changed, match_inputs, scan_print
from planner_core.case.plan import Plan
from planner_core.registration.kept import PATIENT_FRAME


@frozen
class StalePart:
    """One part that must be done again.

    Parameters
    ----------
    part : str
        "match", "bone", "arch", "canal:left", "fixture:36", "pairs", "reading".
    because : tuple of str
        What changed: "scan", "surface", "pairs".
    text : str
        One sentence.
    remedy : str
    """

    part: str
    because: tuple[str, ...]
    text: str
    remedy: str


_WORDS = {
    "arch": ("The arch curve", "Look at it in the new scan and set it again."),
    "pairs": ("The pairs of points", "Name the points in the new scan again."),
    "markers": ("The markers", "Find the markers in the new scan again."),
    "bone cut": ("The bone reduction", "Look at it in the new scan and set it again."),
    "reading": ("The reading", "The whole new scan must be read and signed."),
}

_MARKED = {
    "foramen": ("The {} mental foramen", "Mark it in the new scan."),
    "tooth": ("Tooth {}", "Mark it in the new scan."),
    "cavity": ("The air space ({})", "Mark it in the new scan."),
    "drawn": ("The drawn structure {!r}", "Draw it in the new scan."),
    "measurement": ("Measurement {}", "Measure in the new scan."),
    "crown": ("Planned tooth {}", "Set it up in the new scan."),
}


def stale_parts(plan: Plan) -> tuple[StalePart, ...]:
    """Give everything in the plan that was made from inputs that are no longer those of the plan."""
    return (*_drawn_on_another_scan(plan), *_stale_match(plan), *_stale_bone(plan))


def match_changes(plan: Plan) -> tuple[str, ...]:
    """Give the names of the match's inputs that have changed since: "pairs", "scan", "surface"."""
    if plan.match is None:
        return ()
    adopted = plan.match
    return changed(adopted.made_from, match_inputs(plan, adopted.match.road, adopted.surface_id))


def is_stale(plan: Plan, part: str) -> bool:
    """Tell whether one part (named as in `StalePart.part`) is stale."""
    return any(stale.part == part for stale in stale_parts(plan))


def _drawn_on_another_scan(plan: Plan) -> list[StalePart]:
    present = {
        "pairs": bool(plan.pairs),
        "markers": bool(plan.markers.get(PATIENT_FRAME)),
        "arch": plan.arch is not None,
        "reading": plan.reading is not None,
        **{f"canal:{side}": True for side in plan.canals},
        **{f"foramen:{side}": True for side in plan.foramina},
        **{f"tooth:{site}": True for site in plan.teeth},
        **{f"cavity:{key}": True for key in plan.cavities},
        **{f"drawn:{name}": True for name in plan.drawn},
        **{f"measurement:{key}": True for key in plan.measurements},
        "bone cut": plan.bone_cut is not None,
        **{f"crown:{site}": True for site in plan.crowns},
        **{f"fixture:{site}": True for site in plan.fixtures},
    }
    today = scan_print(plan)
    stale = []
    for part, there in present.items():
        if there and plan.made_on.get(part, today) != today:
            what, remedy = _words(part)
            verb = "were" if part in ("pairs", "markers") else "was"
            stale.append(StalePart(part, ("scan",), f"{what} {verb} made on another scan than today's.", remedy))
    return stale


def _words(part: str) -> tuple[str, str]:
    kind, _, key = part.partition(":")
    if kind == "canal":
        return f"The {key} canal", "Trace it in the new scan."
    if kind == "fixture":
        return f"Fixture {key}", "Look at it in the new scan and place it again."
    if kind in _MARKED:
        what, remedy = _MARKED[kind]
        return what.format(key), remedy
    return _WORDS[kind]


def _stale_match(plan: Plan) -> list[StalePart]:
    changes = match_changes(plan)
    if not changes:
        return []
    return [
        StalePart(
            "match",
            changes,
            f"The match was made before a change of the {_list(changes)}.",
            "Match the scans again.",
        )
    ]


def _stale_bone(plan: Plan) -> list[StalePart]:
    if plan.bone is None or not changed(plan.bone.made_from, bone_inputs(plan)):
        return []
    return [
        StalePart("bone", ("scan",), "The bone surface was made from another scan than today's.", "Draw it again.")
    ]


def _list(names: tuple[str, ...]) -> str:
    words = {"pairs": "pairs of points", "scan": "scan", "surface": "surface scan"}
    said = [words.get(name, name) for name in names]
    return said[0] if len(said) == 1 else ", ".join(said[:-1]) + " and " + said[-1]
