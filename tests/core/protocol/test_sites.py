"""Sites against the published notations."""

from __future__ import annotations

import pytest
from pydicom.sr.codedict import codes

from planner_core.errors import PlannerError
from planner_core.protocol.sites import TOOTH_WORDS, side_of, site_name, universal_number


def test_universal_numbers_run_round_the_mouth() -> None:
    # ISO 3950 and Universal: 1 to 16 = 18..11, 21..28; 17 to 32 = 38..31, 41..48 (FACTS section 0 row 12,
    # mapping M).
    order = [f"1{k}" for k in range(8, 0, -1)] + [f"2{k}" for k in range(1, 9)]
    order += [f"3{k}" for k in range(8, 0, -1)] + [f"4{k}" for k in range(1, 9)]
    assert [universal_number(site) for site in order] == list(range(1, 33))


@pytest.mark.parametrize(("site", "number"), [("18", 1), ("11", 8), ("21", 9), ("28", 16), ("38", 17), ("31", 24)])
def test_single_universal_numbers(site: str, number: int) -> None:
    assert universal_number(site) == number


@pytest.mark.parametrize("site", ["51", "85", "10", "19", "9", "", "360", "ab"])
def test_what_is_no_site_of_a_permanent_tooth_is_refused(site: str) -> None:
    # ISO 19429: quadrants 5 to 8 are not used for implants.
    with pytest.raises(PlannerError):
        site_name(site)


def test_words_agree_with_the_dicom_names_of_teeth() -> None:
    # DICOM PS3.16 CID 4018 by pydicom's dictionary, keywords such as "MandibularLeftFirstMolarTooth".
    names = {"".join(c for c in k.lower() if c.isalpha()) for k in codes.cid4018.dir()}
    jaw = {
        "1": ("maxillary", "right"),
        "2": ("maxillary", "left"),
        "3": ("mandibular", "left"),
        "4": ("mandibular", "right"),
    }
    for quadrant, (bone, side) in jaw.items():
        for number, tooth in enumerate(TOOTH_WORDS, start=1):
            site = site_name(f"{quadrant}{number}")
            assert tooth in site.words
            assert side in site.words
            assert side_of(site.iso) == side
            # DICOM names tooth 32 "mandibular left lateral tooth", without the word incisor.
            wanted = [bone, side, *tooth.replace(" incisor", "").split()]
            assert any(all(word in name for word in wanted) for name in names), wanted
