"""Does the stated error budget hold? Thousands of simulated holes against what the model promised.

Each configuration is a jaw with one to four sites, a set of markers, a guide on teeth, mucosa or bone and a canal
near each site. The model is asked once, before anything happens; then many guides are made and drilled by
`tests.studies.drill_simulation`, which shares no formula with it. Guides are counted, not holes: the holes of one
guide err together.
"""

from __future__ import annotations

import argparse
from itertools import pairwise
from typing import Any

import numpy as np
from attrs import evolve
from scipy.stats import beta

from planner_core.anatomy.structures import Canal, Side
from planner_core.planning.catalogue import parametric_profile
from planner_core.planning.drilling import DrillList, DrillStep, Guidance, Sleeve, Support
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import drill_profile, ledger
from planner_core.planning.obstacles import obstacles_of
from planner_core.planning.published import EXECUTION
from planner_core.planning.seating import Pin, bearings
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import PointPair
from tests.studies.drill_simulation import FINGER_FORCE_N, Hole, Outcome, Patch, Pins, Practice, drill

NAME = "drill"

SITES = ("36", "35", "46", "45")
"""Lower sites, for the names only."""

RISK_BINS = (0.0, 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0)
"""Edges of the reliability table of the chance of harm."""

DEFAULT_HOLES = 5000
DEFAULT_CONFIGS = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study's own arguments."""
    parser.add_argument("--holes", type=int, default=DEFAULT_HOLES, help="drilled holes in all, at least")
    parser.add_argument("--configs", type=int, default=DEFAULT_CONFIGS, help="random configurations")
    parser.add_argument("--seed", type=int, default=1)


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Run the study and give its table as data."""
    right = _study(args.holes, args.configs, args.seed, play_factor=1.0)
    wrong = _study(args.holes, args.configs, args.seed, play_factor=0.5)
    return {
        "holes": right["holes"],
        "guides": right["guides"],
        "configs": args.configs,
        "seed": args.seed,
        **{key: right[key] for key in ("coverage", "by_support", "reliability", "harm")},
        "play_halved": {key: wrong[key] for key in ("coverage", "reliability", "harm", "holes_where_play_matters")},
        "holes_where_play_matters": right["holes_where_play_matters"],
    }


def _study(holes: int, configs: int, seed: int, play_factor: float) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    tally = Tally()
    made = 0
    for number in range(configs):
        config = Configuration(np.random.default_rng([seed, number]))
        left = max(1, holes - made) / max(1, configs - number)
        guides = max(2, int(np.ceil(left / len(config.fixtures))))
        outcome = config.drilled(guides, int(rng.integers(2**31)))
        tally.add(config, config.stated(play_factor), outcome)
        made += guides * len(config.fixtures)
    return tally.result()


class Configuration:
    """One random mouth with its guide; everything known beforehand."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.support = Support(rng.choice([s.value for s in (Support.TEETH, Support.MUCOSA, Support.BONE)]))
        self.fixtures = self._fixtures(int(rng.integers(1, 5)))
        self.sleeve = Sleeve(
            "study", 5.0, 6.0, float(rng.uniform(4, 6)), float(rng.uniform(2, 7)), float(rng.uniform(0.05, 0.41))
        )
        self.drills = DrillList("study", (DrillStep("2.2", 2.2),), True, float(rng.uniform(0.3, 1.5)))
        self.pins = self._pins()
        self.guide = self._guide()
        self.pairs, self.fle = self._markers()
        self.canals = {site: self._canal(site) for site in self.fixtures}

    def _fixtures(self, count: int) -> dict[str, PlacedFixture]:
        found = {}
        for site, x in zip(SITES[:count], (24.0, 20.0, -24.0, -20.0), strict=False):
            diameter, length = float(self.rng.choice([3.5, 4.0, 4.5])), float(self.rng.choice([8.0, 10.0, 12.0]))
            profile = parametric_profile(diameter, length)
            shape = FixtureShape(f"{diameter}x{length}", "study", diameter, length, diameter, profile)
            tilt = self.rng.normal(scale=0.1, size=2)
            y = 25.0 - 8.0 * (abs(x) < 22)
            found[site] = PlacedFixture(site, shape, FixturePose([x, y, 0.0], [tilt[0], tilt[1], -1.0]))
        return found

    def _bearing_points(self) -> np.ndarray:
        """Give bearings that enclose the sites: both ends, the front, and some between."""
        between = self.rng.choice(
            [26, 42, 58, 74, 106, 122, 138, 154], size=int(self.rng.integers(1, 6)), replace=False
        )
        angles = np.radians([6.0, 90.0, 174.0, *between])
        points = np.stack([28 * np.cos(angles), 32 - 34 * np.sin(angles), 0 * angles + 6.0], axis=1)
        return points + self.rng.normal(scale=1.0, size=points.shape)

    def _guide(self) -> GuideInputs:
        plain = GuideInputs(support=self.support)
        points = self._bearing_points()
        contacts = bearings(self.support, points, [0.0, 0.0, 1.0], plain.all_values())
        return GuideInputs(
            support=self.support,
            guidance=Guidance.FULL,
            sleeves=dict.fromkeys(self.fixtures, self.sleeve),
            drills=self.drills,
            contacts=contacts,
            pins=self.pins,
        )

    def _pins(self) -> tuple[Pin, ...]:
        if self.support == Support.TEETH:
            return ()
        places = np.array([[0.0, -4.0, -8.0], [20.0, 10.0, -8.0], [-20.0, 10.0, -8.0]])
        return tuple(Pin(p, [-p[0], 20.0 - p[1], 0.0]) for p in places[: int(self.rng.integers(0, 4))])

    def _markers(self) -> tuple[list[PointPair], float]:
        count = int(self.rng.integers(4, 8))
        angles = np.radians(np.linspace(15, 165, count) + self.rng.uniform(-8, 8, count))
        points = np.stack([25 * np.cos(angles), 32 - 32 * np.sin(angles), self.rng.uniform(2, 12, count)], axis=1)
        fle = float(self.rng.uniform(0.15, 0.5))
        return [PointPair(f"M{k}", p, p, fle) for k, p in enumerate(points)], fle

    def _canal(self, site: str) -> Canal:
        fixture = self.fixtures[site]
        sigma = float(self.rng.uniform(0.2, 0.6))
        reach = fixture.shape.length_mm + float(self.drills.tip_overshoot_mm or 0.0)
        distance = float(self.rng.uniform(0.2, 3.5)) + 1.0
        # Under the tip, or beside the body near the tip: both ways of reaching it.
        side = float(self.rng.uniform(-1, 1))
        across = np.array([np.sign(side) or 1.0, 0.0, 0.0])
        below = fixture.pose.at_depth(reach)
        if abs(side) < 0.5:
            middle = below + distance * fixture.pose.axis_lps
        else:
            middle = below - 2.0 * fixture.pose.axis_lps + (distance + fixture.shape.diameter_mm / 2) * across
        run = np.array([0.05, 1.0, 0.1])
        path = middle + np.linspace(-15, 15, 31)[:, None] * run
        count = len(path)
        where = Side.LEFT if fixture.pose.platform_lps_mm[0] > 0 else Side.RIGHT
        return Canal(where, path[[0, -1]], path, np.full(count, 2.0), np.full(count, sigma), np.full(count, True))

    def match(self, rng: np.random.Generator) -> Any:
        """Fit a match from markers with noise, as the program does."""
        per_axis = self.fle / np.sqrt(3.0)
        noisy = [evolve(p, lps_mm=p.lps_mm + rng.normal(scale=per_axis, size=3)) for p in self.pairs]
        return match_points(noisy, "surface:lower")

    def stated(self, play_factor: float) -> dict[str, SiteBudget]:
        """Ask the model, as the program does before surgery."""
        known = match_points(self.pairs, "surface:lower")
        guide = self.guide
        if play_factor != 1.0:
            sleeve = evolve(self.sleeve, clearance_mm=self.sleeve.clearance_mm * play_factor)
            guide = evolve(guide, sleeves=dict.fromkeys(self.fixtures, sleeve))
        found = {}
        for site, fixture in self.fixtures.items():
            rows = ledger({site: fixture}, obstacles_of([self.canals[site]], None), drills=self.drills).rows
            everything = budgets(self.fixtures, guide=guide, match=known.covariance, rows=rows)
            found[site] = everything[site]
        return found

    def plan_error(self, guides: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Where points of the plan really lie under each guide; nothing where the guide comes from bone."""
        rotations, shifts = np.tile(np.eye(3), (guides, 1, 1)), np.zeros((guides, 3))
        if self.support == Support.BONE:
            return rotations, shifts
        for g in range(guides):
            fitted = self.match(rng).lps_from_surface.inverse()
            rotations[g], shifts[g] = fitted.rotation, fitted.translation_mm
        return rotations, shifts

    def practice(self) -> Practice:
        """Hands and tools with the spreads that the model states."""
        value = self.guide.value
        return Practice(
            value("making_sigma_mm"), value("making_tilt_deg"), value("load_axial_n"), value("load_spread"),
            value("load_lateral_n"), value("depth_stop_sigma_mm"), value("debris_mm"), EXECUTION.shift_sigma_mm,
            EXECUTION.depth_mean_mm, EXECUTION.tilt_sigma_deg, EXECUTION.pivot_mm, value("blunder_share"),
            value("blunder_sigma_mm"), value("blunder_tilt_deg"),
        )  # fmt: skip

    def patches(self) -> list[Patch]:
        """Give the tissue under the guide as places that only push: from above, and from both sides."""
        value = self.guide.value
        # That rigid guides stand proud on teeth and bone comes out of the settling; mucosa gives way besides.
        bias = -value("mucosa_sinks_mm") if self.support == Support.MUCOSA else 0.0
        found = []
        for contact in self.guide.contacts:
            stiffness = 1.0 / contact.compliance_mm_per_n
            if contact.normal_lps[2] > 0.9:
                found.append(Patch(contact.point_lps_mm, contact.normal_lps, stiffness, contact.sigma_mm, bias))
                continue
            if self.support != Support.TEETH:
                # A saddle on a ridge finds its place sideways; it is not wedged between walls.
                soft = FINGER_FORCE_N / (contact.sigma_mm * len(self.guide.contacts))
                found.append(
                    Patch(
                        contact.point_lps_mm,
                        contact.normal_lps,
                        stiffness,
                        contact.sigma_mm,
                        0.0,
                        True,
                        min(soft, stiffness),
                    )
                )
                continue
            # A wall on either side of a tooth: where both touch, their mean spreads as the stated sigma.
            for sign in (1.0, -1.0):
                spread = contact.sigma_mm * np.sqrt(2.0)
                found.append(Patch(contact.point_lps_mm, sign * contact.normal_lps, stiffness / 2.0, spread))
        return found

    def drilled(self, guides: int, seed: int) -> Outcome:
        """Make and use the guides."""
        rng = np.random.default_rng(seed)
        holes = [self._hole(site) for site in self.fixtures]
        pins = Pins(
            np.array([p.point_lps_mm for p in self.pins]).reshape(-1, 3),
            np.array([p.axis_lps for p in self.pins]).reshape(-1, 3),
            1.0 / self.guide.value("pin_compliance_mm_per_n"),
        )
        return drill(
            holes,
            plan_error=self.plan_error(guides, rng),
            patches=self.patches(),
            pins=pins,
            practice=self.practice(),
            depths=[self.watched(site) for site in self.fixtures],
            guides=guides,
            seed=seed + 1,
        )

    def watched(self, site: str) -> np.ndarray:
        """Depths at which the axis is compared with the envelope."""
        return np.linspace(0.0, self.fixtures[site].shape.length_mm, 5)

    def _hole(self, site: str) -> Hole:
        fixture, canal = self.fixtures[site], self.canals[site]
        return Hole(
            site, fixture.pose.platform_lps_mm, fixture.pose.axis_lps, fixture.shape.length_mm,
            drill_profile(fixture.shape, self.drills), canal.path_lps_mm,
            float(canal.radius_mm[0]), float(canal.sigma_mm[0]), self.sleeve.height_mm, self.sleeve.gap_mm,
            self.sleeve.clearance_mm,
        )  # fmt: skip


class Tally:
    """Counts what held and what was harmed."""

    def __init__(self) -> None:
        self.inside: list[np.ndarray] = []
        """For each guide: share of its watched points inside the envelope."""
        self.supports: list[str] = []
        self.chances: list[float] = []
        self.harmed: list[np.ndarray] = []
        self.play: list[np.ndarray] = []

    def add(self, config: Configuration, stated: dict[str, SiteBudget], outcome: Outcome) -> None:
        """Compare one configuration's holes with what was stated."""
        held = []
        for k, site in enumerate(config.fixtures):
            budget = stated[site]
            radius = np.interp(config.watched(site), budget.envelope.depths_mm, budget.envelope.radius_p95_mm)
            held.append(np.linalg.norm(outcome.along[:, k], axis=2) <= radius)
            chance = next((h.chance for h in budget.harms), 0.0)
            self.chances.append(chance)
            self.harmed.append(outcome.gap[:, k] <= 0.0)
        per_guide = np.mean(np.stack(held, axis=1), axis=(1, 2))
        self.inside.append(per_guide)
        self.supports += [config.support.value] * len(per_guide)
        if config.sleeve.clearance_mm > 0.25:
            self.play.append(per_guide)

    def result(self) -> dict[str, Any]:
        """Give coverage with its interval, and the reliability table."""
        inside = np.concatenate(self.inside)
        supports = np.array(self.supports)
        return {
            "guides": len(inside),
            "holes": int(sum(len(h) for h in self.harmed)),
            "coverage": _share(inside),
            "by_support": {s: _share(inside[supports == s]) for s in sorted(set(self.supports))},
            "holes_where_play_matters": _share(np.concatenate(self.play)) if self.play else None,
            "reliability": self._reliability(),
            "harm": {
                "stated": float(np.average(self.chances, weights=[len(h) for h in self.harmed])),
                "happened": float(np.mean(np.concatenate(self.harmed))),
            },
        }

    def _reliability(self) -> list[dict[str, Any]]:
        rows = []
        chances = np.array(self.chances)
        for low, high in pairwise(RISK_BINS):
            members = [k for k, c in enumerate(chances) if low <= c < high]
            if not members:
                continue
            harmed = np.concatenate([self.harmed[k] for k in members])
            weights = [len(self.harmed[k]) for k in members]
            hits, count = int(harmed.sum()), len(harmed)
            rows.append(
                {
                    "stated_from": low,
                    "stated_to": high,
                    "stated_mean": float(np.average(chances[members], weights=weights)),
                    "holes": count,
                    "happened": hits / count,
                    "happened_low95": float(beta.ppf(0.025, hits, count - hits + 1)) if hits else 0.0,
                    "happened_high95": float(beta.ppf(0.975, hits + 1, count - hits)) if hits < count else 1.0,
                }
            )
        return rows


def _share(per_guide: np.ndarray) -> dict[str, float]:
    """Mean share with a 95 % interval over guides (normal, guides independent)."""
    mean, error = float(per_guide.mean()), float(per_guide.std(ddof=1) / np.sqrt(len(per_guide)))
    return {"mean": mean, "low95": mean - 1.96 * error, "high95": mean + 1.96 * error, "guides": len(per_guide)}


def table(result: dict[str, Any]) -> str:
    """Give the result as lines for a person."""
    lines = [f"{result['holes']} holes, {result['guides']} guides, {result['configs']} configurations"]
    rows = {"all": result["coverage"], **result["by_support"], "large play": result["holes_where_play_matters"]}
    rows["play halved: all"] = result["play_halved"]["coverage"]
    rows["play halved: large play"] = result["play_halved"]["holes_where_play_matters"]
    lines += ["", "| 95 % envelope holds | share | 95 % interval | guides |", "|---|---|---|---|"]
    for name, row in rows.items():
        if row:
            share, low, high = (f"{100 * row[key]:.1f}" for key in ("mean", "low95", "high95"))
            lines.append(f"| {name} | {share} % | {low} to {high} | {row['guides']} |")
    lines += [
        "",
        "| stated chance of harm | holes | stated mean | happened | 95 % interval |",
        "|---|---|---|---|---|",
    ]
    for row in result["reliability"]:
        mean, happened, low, high = (
            f"{100 * row[key]:.2f}" for key in ("stated_mean", "happened", "happened_low95", "happened_high95")
        )
        span = f"{100 * row['stated_from']:g} to {100 * row['stated_to']:g} %"
        lines.append(f"| {span} | {row['holes']} | {mean} % | {happened} % | {low} to {high} |")
    return "\n".join(lines)
