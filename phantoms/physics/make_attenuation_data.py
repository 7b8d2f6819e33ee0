"""Write `attenuation_data.py` anew from xraydb (extra `samples`).

``python -m phantoms.physics.make_attenuation_data``
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

ELEMENTS = (
    "H", "C", "N", "O", "Na", "Mg", "Al", "Si", "P", "S", "K", "Ca",
    "V", "Cr", "Co", "Cu", "Zn", "Ag", "Sn", "I", "Cs", "Ba", "W", "Hg",
)  # fmt: skip
ENERGIES_KEV = (15, 17.5, 20, 22.5, 25, 27.5, 30, 35, 40, 45, 50, 55, 60, 70, 80, 100, 120, 150)
EDGE_STEP_KEV = 0.002


def main() -> None:
    """Read every element at the common energies and on both sides of its K edge."""
    import xraydb

    lines = [
        '"""Mass attenuation (total, cm2/g) of elements; written by `make_attenuation_data`, not by hand.',
        "",
        "Source: xraydb 4.5.8 (public domain), tables of Elam, Ravel and Sieber 2002, Radiat Phys Chem 63:121.",
        '"""',
        "",
        "ELEMENTS: dict[str, tuple[tuple[float, float], ...]] = {",
    ]
    for element in ELEMENTS:
        energies = [float(e) for e in ENERGIES_KEV]
        edge = xraydb.xray_edge(element, "K").energy / 1000
        if energies[0] < edge < energies[-1]:
            energies += [edge - EDGE_STEP_KEV, edge + EDGE_STEP_KEV]
        energies.sort()
        values = xraydb.mu_elam(element, np.array(energies) * 1000)
        pairs = [f"({e:.7g}, {v:.5g})" for e, v in zip(energies, values, strict=True)]
        lines.append(f'    "{element}": (')
        lines += [f"        {', '.join(pairs[k : k + 6])}," for k in range(0, len(pairs), 6)]
        lines.append("    ),")
    lines.append("}")
    Path(__file__).with_name("attenuation_data.py").write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
