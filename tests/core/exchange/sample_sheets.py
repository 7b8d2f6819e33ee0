"""Sheets for the tests: a usual one, a final one, and one that is hard to lay out."""

from __future__ import annotations

import numpy as np

from planner_core.findings import Finding, Severity
from planner_core.planning.drilling import DrillList, DrillStep, Sleeve
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.protocol.sheet import (
    ErrorRow,
    FixturePage,
    ObstacleRow,
    ShareRow,
    SheetContent,
    SiteResults,
    Stamp,
    fixture_page,
)

PROFILE = np.array([[0.0, 2.05], [8.0, 2.0], [10.0, 1.2]])


def page(site: str = "36", generic: bool = True, obstacles: int = 3) -> FixturePage:
    shape = FixtureShape("g-4-10", "Generic tapered 4.1 x 10", 4.1, 10.0, 4.1, PROFILE, generic=generic)
    fixture = PlacedFixture(site, shape, FixturePose([24.0, 5.0, 0.0], [0.0, 0.0, -1.0]))
    sleeve = Sleeve("5.0 x 4", 5.02, 6.0, 4.0, 3.5, 0.08)
    steps = (
        *(DrillStep(f"Drill {d}", d, None, 800) for d in (2.0, 2.8, 3.5)),
        DrillStep("Crestal drill", 4.2, 3.0, 600, guided=False),
    )
    drills = DrillList("Generic list 4.1" if generic else "House list", steps, generic, None if generic else 0.4)
    rows = tuple(
        ObstacleRow(
            f"{'canal, left' if k == 0 else 'root 35'}",
            "drill" if k % 2 else "fixture",
            2.6 + 0.4 * k,
            2.0,
            "Fokas et al. 2018, Clin Oral Implants Res, doi 10.1111/clr.13142",
            "clear",
            1.9 + 0.1 * k,
            0.004 / (k + 1),
        )
        for k in range(obstacles)
    )
    errors = (
        ErrorRow("Entry", 1.3, "mm"),
        ErrorRow("Apex", 1.9, "mm"),
        ErrorRow("Angle", 4.6, "°"),
        ErrorRow("Depth", 0.9, "mm"),
    )
    shares = (
        ShareRow("Match", 0.41, "0.4 mm", ""),
        ShareRow("Play", 0.33, "0.08 mm", ""),
        ShareRow("Rest", 0.26, "", ""),
    )
    return fixture_page(
        fixture, sleeve, drills, 1.2, SiteResults(rows, errors, shares, 0.0041), 0.01, "7° to the tongue"
    )


def sheet(
    sites: tuple[str, ...] = ("36", "46"),
    final: bool = False,
    name: str = "Invented, Ida",
    obstacles: int = 3,
    findings: int = 3,
) -> SheetContent:
    severity = Severity.WARNING if final else Severity.BLOCKER
    return SheetContent(
        title="Lower bridge, two first molars",
        patient=(("Name", name), ("Number", "X-1"), ("Born", "1970-01-01")),
        invented=True,
        jaw="lower",
        guide_code="K7-Q2",
        guide=(("Carried by", "teeth"), ("Leads", "all drills and fixture")),
        scan=(("Scan", "DICOM, 320 slices of 400 x 400, voxel 0.25 mm"), ("Degraded", "slices 120 to 180 of 320")),
        match=(("Match", "by points, 5 pairs"), ("Expected error", "36: 0.5 mm, 46: 0.6 mm (95 %)")),
        findings=tuple(
            Finding(
                severity,
                f"open-{k}",
                f"Point {k + 1}: the whole volume is not signed as read by a qualified person.",
            )
            for k in range(findings)
        ),
        pages=tuple(page(site, not final, obstacles) for site in sites),
        stamp=Stamp(
            12, "ab" * 32, "2026-01-31T10:00:00+00:00", "tester", "2026-01-31T10:01:00+00:00", "Plumbline 0.1"
        ),
        plan_json='{"title": "Ω"}',
    )
