"""What the network says of single cells becomes restorations with a word and its doubt."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from planner_core.imaging.bodies import Restoration
from planner_core.imaging.bodies_answers import faint_restorations, kinds_named
from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_chance import FITTED_WEIGHT, Answer, added_of, chance_of, kind_chances
from planner_core.imaging.scatter_inputs import CORTICAL_STEP

SHAPE = (30, 24, 24)
CELL_MM = 0.6


def _cells(shape: tuple[int, int, int] = SHAPE) -> Cells:
    affine = np.array([[0, 0, CELL_MM, 0], [0, CELL_MM, 0, 0], [CELL_MM, 0, 0, 0], [0, 0, 0, 1.0]])
    return Cells(np.ones(shape, np.float32), np.zeros(shape, np.float32), np.ones(shape, bool), CELL_MM, affine)


def _answers(
    kind: Answer | None, box: tuple[slice, ...], shape: tuple[int, int, int] = SHAPE
) -> NDArray[np.float16]:
    """Everything natural, but a box of one kind."""
    answers = np.zeros((len(Answer), *shape), np.float16)
    answers[Answer.NATURAL] = 10.0
    if kind is not None:
        answers[(Answer.NATURAL, *box)] = -6.0
        answers[(kind, *box)] = 6.0
    return answers


CROWN_MM3 = 260.0
"""As large as a crown looks: what speaks for a kind is the cells alone."""
BOX = (slice(10, 14), slice(8, 13), slice(9, 14))


def test_a_faint_filling_is_found_where_it_is_and_named():
    (body,) = faint_restorations(_answers(Answer.FILLING, BOX), _cells(), np.zeros(SHAPE, bool))
    assert body.kind == "filling"
    assert body.volume_mm3 == pytest.approx(4 * 5 * 5 * CELL_MM**3)
    assert body.centre_lps_mm == pytest.approx([11 * CELL_MM, 10 * CELL_MM, 11.5 * CELL_MM])
    assert body.extent_mm == pytest.approx([5 * CELL_MM, 5 * CELL_MM, 4 * CELL_MM])


def test_nothing_is_found_in_natural_tissue_beside_known_bodies_in_specks_or_in_single_slices():
    clear = np.zeros(SHAPE, bool)
    assert faint_restorations(_answers(None, BOX), _cells(), clear) == ()
    taken = clear.copy()
    taken[12, 10, 10] = True
    assert faint_restorations(_answers(Answer.FILLING, BOX), _cells(), taken) == ()
    speck = (slice(10, 12), slice(8, 10), slice(9, 11))
    assert faint_restorations(_answers(Answer.FILLING, speck), _cells(), clear) == ()
    thin = (5, 24, 24)
    flat = (slice(0, 5), slice(8, 13), slice(9, 14))
    assert faint_restorations(_answers(Answer.FILLING, flat, thin), _cells(thin), np.zeros(thin, bool)) == ()


def test_a_post_that_leads_out_of_a_crown_is_a_body_of_its_own():
    taken = np.zeros(SHAPE, bool)
    taken[4:13, 6:16, 6:16] = True
    (body,) = faint_restorations(
        _answers(Answer.POST, (slice(10, 24), slice(10, 13), slice(10, 13))), _cells(), taken
    )
    assert body.kind == "post or root filling"
    assert body.volume_mm3 == pytest.approx(11 * 3 * 3 * CELL_MM**3), "what lies in the crown is the crown's"
    assert body.centre_lps_mm[2] == pytest.approx(18 * CELL_MM)
    rim = (slice(4, 15), slice(6, 16), slice(6, 16))
    assert faint_restorations(_answers(Answer.ZIRCONIA, rim), _cells(), taken) == (), "a crown's bloom is no post"


@pytest.mark.parametrize(
    ("answer", "word"),
    [
        (Answer.ZIRCONIA, "zirconia"),
        (Answer.PORCELAIN, "zirconia"),
        (Answer.METAL, "metal"),
        (Answer.POST, "post or root filling"),
        (Answer.FIXTURE, "fixture"),
    ],
)
def test_a_dense_body_gets_the_word_of_its_cells(answer: Answer, word: str):
    share = np.zeros(SHAPE, np.float32)
    share[BOX] = 1.0
    body = Restoration([6.6, 6.0, 6.9], CROWN_MM3, [3.0, 3.0, 2.4], True, "", 0.0)
    (named,), (sure,) = kinds_named(_answers(answer, BOX), _cells(), share, (body,))
    assert named.kind == word
    assert 0.7 < named.kind_confidence < 1.0
    assert sure > 0.99


def test_a_body_too_small_for_a_crown_is_less_surely_one():
    share = np.zeros(SHAPE, np.float32)
    share[BOX] = 1.0
    answers = _answers(Answer.METAL, BOX)
    bodies = [Restoration([6.6, 6.0, 6.9], size, [3.0, 3.0, 2.4], True, "", 0.0) for size in (CROWN_MM3, 20.0)]
    (large,), _ = kinds_named(answers, _cells(), share, bodies[:1])
    (small,), _ = kinds_named(answers, _cells(), share, bodies[1:])
    assert large.kind == "metal"
    assert small.kind_confidence < large.kind_confidence - 0.1


def test_doubt_between_two_kinds_is_stated():
    answers = _answers(Answer.METAL, BOX)
    weight = np.log(FITTED_WEIGHT[Answer.METAL - Answer.NATURAL] / FITTED_WEIGHT[Answer.ZIRCONIA - Answer.NATURAL])
    answers[(Answer.ZIRCONIA, *BOX)] = 6.0 - weight
    share = np.zeros(SHAPE, np.float32)
    share[BOX] = 1.0
    body = Restoration([6.6, 6.0, 6.9], CROWN_MM3, [3.0, 3.0, 2.4], True, "", 0.0)
    (named,), _ = kinds_named(answers, _cells(), share, (body,))
    assert named.kind_confidence == pytest.approx(0.5, abs=0.02)


def test_enamel_that_passes_a_threshold_is_told_as_natural():
    share = np.zeros(SHAPE, np.float32)
    share[BOX] = 1.0
    body = Restoration([6.6, 6.0, 6.9], 20.0, [3.0, 3.0, 2.4], True, "", 0.0)
    _, (sure,) = kinds_named(_answers(None, BOX), _cells(), share, (body,))
    assert sure < 0.05


def test_chances_add_up_and_amounts_come_back_on_the_scans_scale():
    answers = _answers(Answer.METAL, BOX)
    assert kind_chances(answers).sum(axis=0) == pytest.approx(1.0, abs=1e-5)
    answers[Answer.ADDED] = 0.5
    assert added_of(answers) == pytest.approx(0.5 * CORTICAL_STEP)
    answers[Answer.RUINED, 0], answers[Answer.RUINED, 1] = 8.0, -8.0
    chance = chance_of(answers)
    assert chance[0].min() > 0.99
    assert chance[1].max() < 0.01
