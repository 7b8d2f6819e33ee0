"""What surrounds a fixture besides its ledger, as the command line tells it."""

from __future__ import annotations

from typing import Any

from planner_core.planning.live import Beside


def beside_json(found: Beside) -> dict[str, Any]:
    """Give plates, depths, screw exit, emergence and papillae of a fixture for the JSON output."""
    leaves = found.exit
    return {
        "plates": [
            {
                "side": p.side,
                "depth_below_platform_mm": p.depth_mm,
                "thickness_mm": p.thickness_mm,
                "sigma_mm": p.sigma_mm,
                "state": found.state_of(p).value,
                "text": p.text,
            }
            for p in found.plates
        ],
        "plate_margin_mm": found.plate_margin.value_mm,
        "plate_margin_source": found.plate_margin.source,
        "plate_margin_is_convention": found.plate_margin.convention,
        "platform_below_crest_mm": found.crest_depth_mm,
        "platform_below_planned_gingiva_mm": found.margin_depth_mm,
        "screw_exit": None
        if leaves is None
        else {
            "inside": leaves.inside,
            "along_mm": leaves.along_mm,
            "facial_mm": leaves.facial_mm,
            "angle_deg": leaves.angle_deg,
            "point_lps_mm": leaves.point_lps_mm,
            "text": leaves.text,
        },
        "emergence_deg": found.emergence_deg,
        "papillae": [
            {
                "towards": p.towards,
                "between": p.between.value,
                "contact_to_crest_mm": p.contact_to_crest_mm,
                "gap_at_platform_mm": p.gap_mm,
                "text": p.text,
            }
            for p in found.papillae
        ],
    }


def _known_to(sigma_mm: float | None) -> str:
    return "" if sigma_mm is None else f" ± {1.96 * sigma_mm:.2f}"


def beside_lines(found: Beside) -> list[str]:
    """Give the same as lines for people."""
    lines = [
        f"{found.site} {p.side:7} plate {p.depth_mm:.1f} mm below platform "
        f"{p.thickness_mm:6.2f}{_known_to(p.sigma_mm)} mm  "
        f"margin {found.plate_margin.value_mm:.1f} mm  {found.state_of(p).value}: {p.text}"
        for p in found.plates
    ]
    for words, value in (("crest", found.crest_depth_mm), ("planned gingival margin", found.margin_depth_mm)):
        if value is not None:
            lines.append(f"{found.site} platform {value:.1f} mm below the {words}")
    if found.exit is not None:
        lines.append(f"{found.site} {found.exit.text}")
    lines += [f"{found.site} papilla towards {p.towards}, {p.between.value}: {p.text}" for p in found.papillae]
    return lines
