"""What physics says behind dense bodies: nothing without them, shadows beside them, the streaks that are there."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.errors import PlannerError
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_inputs import CHANNELS, CORTICAL_STEP, inputs_of
from planner_core.imaging.scatter_physics import BODY_LINE_MM, STEEP_MM, beam_errors

SHAPE = (16, 72, 72)
CELL_MM = 0.8
AFFINE = np.array([[0, 0, CELL_MM, 0], [0, CELL_MM, 0, 0], [CELL_MM, 0, 0, 0], [0, 0, 0, 1.0]])
GREY = GreyLevels(-1000.0, 0.0, 1200.0, 40.0, -1000.0, 3095.0, True)


def _head(streak: float) -> tuple[Cells, np.ndarray]:
    """A disc of soft tissue with two dense bodies and a dark band painted between them."""
    rows, columns = np.mgrid[: SHAPE[1], : SHAPE[2]] - 35.5
    plane = (np.hypot(rows, columns) < 32).astype(np.float32)
    relative = np.repeat(plane[None], SHAPE[0], axis=0)
    share = np.zeros(SHAPE, np.float32)
    share[5:11, 33:39, 18:24] = share[5:11, 33:39, 48:54] = 1.0
    relative[5:11, 33:39, 24:48] -= np.float32(streak)
    relative = np.where(share > 0, np.float32(5.0), relative)
    return Cells(relative, share, np.ones(SHAPE, bool), CELL_MM, AFFINE), share


def test_the_difference_finds_the_dark_band_between_two_bodies():
    cells, share = _head(streak=0.3)
    difference = beam_errors(cells, share).difference
    band = difference[6:10, 34:38, 30:42]
    assert float(band.mean()) < -0.1
    plain, _ = _head(streak=0.0)
    assert abs(float(beam_errors(plain, share).difference[6:10, 34:38, 30:42].mean())) < 0.08


def test_more_of_the_beam_is_taken_near_a_body_than_far_from_it_and_none_above():
    cells, share = _head(streak=0.0)
    errors = beam_errors(cells, share)
    near, far, above = errors.shadow[7, 36, 27], errors.shadow[7, 8, 58], errors.shadow[0, 36, 27]
    assert near > 1.5 * far
    assert above < 0.3 * near
    assert errors.shadow_length_mm[7, 36, 27] > errors.shadow_length_mm[7, 8, 58]


def test_stopped_lines_darken_the_band_between_two_bodies():
    """Beam hardening and starvation join bodies by dark bands (Schulze et al. 2011, DMFR 40:265; M)."""
    cells, share = _head(streak=0.0)
    stopped = beam_errors(cells, share).patterns[2]
    assert float(stopped[7, 36, 30:42].mean()) < float(stopped[7, 20, 30:42].mean())


def test_inputs_do_not_depend_on_gain_and_offset():
    cells, share = _head(streak=0.2)
    errors = beam_errors(cells, share)
    other = GreyLevels(
        *(0.5 * np.array([-1000.0, 0.0, 1200.0, 40.0, -1000.0, 3095.0]) + (300, 300, 300, 0, 300, 300)), True
    )
    for first, second in zip(
        inputs_of(cells, share, errors, GREY), inputs_of(cells, share, errors, other), strict=True
    ):
        assert first == pytest.approx(second, abs=2e-3)


def test_without_bodies_physics_says_nothing():
    cells, _ = _head(streak=0.0)
    channels = inputs_of(cells, np.zeros(SHAPE, np.float32), None, GREY)
    assert len(channels) == len(CHANNELS)
    assert all(not channel.any() for channel in channels[1:9])


def test_it_can_be_stopped():
    cells, share = _head(streak=0.0)

    def stop(fraction: float, text: str = "") -> None:
        if fraction > 0.3:
            raise PlannerError("Stopped.", "Start again.")

    with pytest.raises(PlannerError):
        beam_errors(cells, share, stop)


def test_the_numbers_of_the_beam_lie_where_the_tables_put_them():
    """NIST (Hubbell and Seltzer, SRD 126): cortical bone 1.92 g/cm3 and soft tissue 1.06 at 40 and 50 keV.

    3Y-TZP of 6.05 g/cm3 at 60 and 40 keV by the mixture rule (FACTS.md section 8).
    """
    steps = [1.92 * bone / (1.06 * soft) - 1.0 for bone, soft in ((0.6655, 0.2688), (0.4242, 0.2264))]
    assert steps[1] < CORTICAL_STEP < steps[0]
    lengths = [10.0 / (6.05 * zirconia) for zirconia in (2.820, 8.496)]
    assert lengths[0] == pytest.approx(BODY_LINE_MM, rel=0.2)
    assert lengths[1] == pytest.approx(STEEP_MM, rel=0.25)
