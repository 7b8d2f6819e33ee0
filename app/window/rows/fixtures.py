"""Commands that move the fixture in hand."""

from __future__ import annotations

from collections.abc import Callable

from app.actions.fixtures import TILT_DEG
from app.commands import Command
from app.plan_actions import PlanActions

MOVES = (
    ("left", "Move 0.1 mm to the patient's left", "Ctrl+Right"),
    ("right", "Move 0.1 mm to the patient's right", "Ctrl+Left"),
    ("outward", "Move 0.1 mm outwards", "Ctrl+Up"),
    ("inward", "Move 0.1 mm inwards", "Ctrl+Down"),
    ("deeper", "Move 0.1 mm deeper", "Ctrl+PgDown"),
    ("higher", "Move 0.1 mm higher", "Ctrl+PgUp"),
)
TILTS = (
    ("left", "Turn the apex 0.5° to the patient's left", "Alt+Right"),
    ("right", "Turn the apex 0.5° to the patient's right", "Alt+Left"),
    ("outward", "Turn the apex 0.5° outwards", "Alt+Up"),
    ("inward", "Turn the apex 0.5° inwards", "Alt+Down"),
)
ROLLS = (
    ("left", "Turn 0.5° about its own axis", "Alt+PgUp", TILT_DEG),
    ("right", "Turn −0.5° about its own axis", "Alt+PgDown", -TILT_DEG),
)


def rows(plan: PlanActions, in_hand: Callable[[], bool]) -> list[Command]:
    """Give the commands of small steps by keys."""
    moves = [
        Command(f"fixture.move_{way}", title, "Fixture", lambda way=way: plan.fixtures.nudge(way), (keys,), in_hand)
        for way, title, keys in MOVES
    ]
    tilts = [
        Command(
            f"fixture.turn_{way}",
            title,
            "Fixture",
            lambda way=way: plan.fixtures.tilt(way),
            (keys,),
            in_hand,
            separated=k == 0,
        )
        for k, (way, title, keys) in enumerate(TILTS)
    ]
    rolls = [
        Command(f"fixture.roll_{way}", title, "Fixture", lambda by=by: plan.fixtures.roll(by), (keys,), in_hand)
        for way, title, keys, by in ROLLS
    ]
    others = [
        Command(
            "fixture.about_apex",
            "Turn about the apex instead of the entry",
            "Fixture",
            plan.fixtures.swap_pivot,
            ("Alt+A",),
            is_checked=lambda: plan.fixtures.about_apex,
            separated=True,
        ),
        Command(
            "fixture.mirror",
            "Mirror to the other side",
            "Fixture",
            plan.fixtures.mirror_in_hand,
            is_enabled=in_hand,
        ),
    ]
    return [*moves, *tilts, *rolls, *others]
