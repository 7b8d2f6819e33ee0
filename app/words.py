"""Sites, states and numbers as the user reads them."""

from __future__ import annotations

import math

from planner_core.protocol.sites import site_name, universal_number


def site_words(site: str) -> str:
    """Give a site in both notations and words, for example "36 (Universal 19), lower left first molar"."""
    return str(site_name(site))


def site_label(site: str, notation: str) -> str:
    """Give a site's short label in the notation of the screen; the other one is never far (tool tip, sheet)."""
    if notation == "universal":
        return f"U{universal_number(site)}"
    return site


def sites_of_jaw(jaw: str) -> tuple[str, ...]:
    """Give the sites of a jaw from the patient's right to the left."""
    right, left = ("1", "2") if jaw == "upper" else ("4", "3")
    return (*(f"{right}{k}" for k in range(8, 0, -1)), *(f"{left}{k}" for k in range(1, 9)))


def mm(value: float | None, digits: int = 1) -> str:
    """Give a length in mm, with a dash where there is none."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    return f"{0.0:.{digits}f}" if float(text) == 0.0 else text.replace("-", "−")


def within(value: float | None, sigma: float | None) -> str:
    """Give a length (mm) and its 95 % interval, without the unit; the interval only where it is known."""
    if value is None or sigma is None or not (math.isfinite(value) and math.isfinite(sigma)):
        return mm(value)
    return f"{mm(value)} ± {mm(1.96 * sigma)}"


def percent(chance: float | None) -> str:
    """Give a chance in per cent with as many digits as it bears."""
    if chance is None or not math.isfinite(chance):
        return "–"
    value = 100.0 * chance
    if value >= 10:
        return f"{value:.0f} %"
    if value >= 1:
        return f"{value:.1f} %"
    if value >= 0.01:
        return f"{value:.2f} %"
    return "< 0.01 %"


def slice_ranges(ranges: tuple[tuple[int, int], ...]) -> str:
    """Give inclusive ranges of slice indices in words, counted from 1 as a reader counts."""
    parts = [f"{a + 1} to {b + 1}" if b > a else f"{a + 1}" for a, b in ranges]
    if not parts:
        return "none"
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]
