"""A clinic's own outcomes from a file: what is read, what is refused line by line, what they change."""

from __future__ import annotations

import hashlib

import pytest

from planner_core.errors import PlannerError
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.own_data import PRIOR_CASES, summary_of, update_from
from planner_core.planning.own_outcomes import BENCH, CLINICAL, read_outcomes
from planner_core.planning.published import EXECUTION

HEAD = "guide,site,length_mm,entry_mm,apex_mm,angle_deg,support,guidance,kind,date"
GOOD = "G1,36,10,0.8,1.0,2.5,teeth,all drills and fixture,clinical,2025-03-04"


def file_of(tmp_path, *lines, head=HEAD, name="own.csv"):
    path = tmp_path / name
    path.write_text("\n".join([head, *lines]), encoding="utf-8")
    return path


def test_lines_are_read_with_their_source(tmp_path):
    path = file_of(tmp_path, "# from our own notes", "", GOOD, "G1,35,8,0.5,0.7,2.0,bone,pilot only,,")
    data, findings = read_outcomes(path, "2026-01-31")
    assert not findings
    assert data.source == "own.csv"
    assert data.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    first, second = data.lines
    assert (first.site, first.support, first.guidance, first.kind) == ("36", Support.TEETH, Guidance.FULL, CLINICAL)
    assert (first.line, second.line) == (4, 5)
    assert second.kind == CLINICAL
    assert second.guidance is Guidance.PILOT


def test_semicolons_may_have_decimal_commas(tmp_path):
    path = file_of(
        tmp_path, GOOD.replace(".", "~").replace(",", ";").replace("~", ","), head=HEAD.replace(",", ";")
    )
    data, _ = read_outcomes(path)
    assert data.lines[0].apex_mm == pytest.approx(1.0)
    assert data.lines[0].entry_mm == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (GOOD.replace("0.8", "much"), "entry_mm 'much' is not a number"),
        (GOOD.replace("0.8", "18"), "entry_mm 18 lies outside 0 to 15"),
        (GOOD.replace(",36,", ",55,"), "site '55' is not a number from 11 to 48"),
        (GOOD.replace("teeth", "gum"), "support 'gum' is none of"),
        (GOOD.replace("clinical", "phantom"), "kind 'phantom' is neither"),
        (GOOD.replace("0.8,1.0", "0.8,3.0"), "cannot belong to one"),
        (GOOD.replace("G1", ""), "guide is empty"),
        (GOOD.replace("0.8", "nan"), "lies outside"),
    ],
)
def test_a_bad_line_is_left_out_with_its_number_and_column(tmp_path, line, said):
    data, (finding,) = read_outcomes(file_of(tmp_path, GOOD, line))
    assert len(data.lines) == 1
    assert finding.text.startswith("Line 3: ")
    assert said in finding.text
    assert data.left_out == (finding.text,)


def test_apex_entry_and_angle_must_fit_as_for_a_rigid_body(tmp_path):
    """Apex and entry differ by at most the chord 2 L sin(angle / 2): 10 mm at 2.5 degrees, 0.44 mm."""
    fits, _ = read_outcomes(file_of(tmp_path, GOOD.replace("0.8,1.0", "0.8,1.4")))
    assert len(fits.lines) == 1
    with pytest.raises(PlannerError, match="cannot belong"):
        read_outcomes(file_of(tmp_path, GOOD.replace("0.8,1.0", "0.8,1.6")))


@pytest.mark.parametrize(
    ("head", "lines", "said"),
    [
        ("guide,site", [GOOD], "no column 'length_mm'"),
        (HEAD + ",colour", [GOOD], "column 'colour'"),
        (HEAD, [], "No line"),
        (HEAD, [GOOD.replace("0.8", "x")], "No line"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_with_a_remedy(tmp_path, head, lines, said):
    with pytest.raises(PlannerError, match=said) as refused:
        read_outcomes(file_of(tmp_path, *lines, head=head))
    assert refused.value.what_to_do if hasattr(refused.value, "what_to_do") else str(refused.value)


def test_no_text_and_no_file_are_refused(tmp_path):
    (tmp_path / "bytes.csv").write_bytes(b"\xff\xfe\x00guide")
    with pytest.raises(PlannerError, match="UTF-8"):
        read_outcomes(tmp_path / "bytes.csv")
    with pytest.raises(PlannerError, match="cannot be read"):
        read_outcomes(tmp_path / "missing.csv")
    (tmp_path / "empty.csv").write_text("")
    with pytest.raises(PlannerError, match="empty"):
        read_outcomes(tmp_path / "empty.csv")


def test_the_update_has_its_effective_number_and_its_source(tmp_path):
    steady = [f"G{k},36,11,0.4,0.5,1.2,teeth,all drills and fixture,clinical," for k in range(20)]
    data, _ = read_outcomes(file_of(tmp_path, *steady))
    update = update_from(data)
    assert update.effective_cases == pytest.approx(20.0)
    assert update.own_share == pytest.approx(20.0 / (20.0 + PRIOR_CASES))
    assert update.posterior.tilt_sigma_deg < EXECUTION.tilt_sigma_deg
    assert update.posterior.shift_sigma_mm < EXECUTION.shift_sigma_mm
    assert update.source.startswith("own.csv (SHA-256 ")


def test_without_identity_the_weight_stays_and_the_names_go(tmp_path):
    rows = [GOOD.replace("G1", f"Doe-{k}") for k in (1, 1, 2)]
    data, _ = read_outcomes(file_of(tmp_path, *rows, "Doe-3,36"), "2026-01-31")
    bare = data.without_identity()
    assert [line.guide for line in bare.lines] == ["guide 1", "guide 1", "guide 2"]
    assert update_from(bare).posterior == update_from(data).posterior
    assert "Doe" not in repr(bare)
    assert "2025" not in repr(bare)
    assert "2026" not in repr(bare)


def test_bench_lines_are_summed_up_apart_and_never_mixed_in(tmp_path):
    bench = GOOD.replace("0.8,1.0,2.5", "0.1,0.1,0.3").replace("clinical", "bench")
    data, _ = read_outcomes(file_of(tmp_path, GOOD, bench))
    alone, _ = read_outcomes(file_of(tmp_path, GOOD, name="alone.csv"))
    assert update_from(data).posterior == update_from(alone).posterior
    assert summary_of(data.of_kind(BENCH)).apex_mean_mm == pytest.approx(0.1)
    with pytest.raises(PlannerError, match="no common mean"):
        summary_of(data.lines)
    only, _ = read_outcomes(file_of(tmp_path, bench))
    assert update_from(only) is None
