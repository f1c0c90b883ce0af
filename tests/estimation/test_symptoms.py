"""What a cycle shows beside its figures stands in its record as numbers, not only in sentences."""

import re

import numpy as np
import pytest
from tests.estimation.synthetic import Floats
from tests.estimation.test_asynchronous import with_line
from tests.estimation.test_friction import BENCH, finish, moved

from nightturn.model.figures import Symptoms
from nightturn.model.phases import HOLD, SLOW_TURN


def test_a_line_between_orders_is_in_both_phases_with_its_order_and_peak() -> None:
    found = finish(with_line(5.4), 3).symptoms
    assert found is not None
    assert [line.phase for line in found.lines] == [HOLD, SLOW_TURN]
    for line in found.lines:
        assert line.order == pytest.approx(5.4, abs=0.02)
        assert line.amplitude_nm == pytest.approx(0.004, rel=0.05)
    assert (found.defects, found.railed, found.jumps) == ((), 0, 0)


def test_a_deviation_at_one_angle_is_there_as_its_figures_name_it() -> None:
    def bump(_: Floats, turned: Floats) -> Floats:
        off_deg = (360.0 * turned - 100.0 + 180.0) % 360.0 - 180.0
        return np.asarray(0.02 * np.exp(-((off_deg / 0.6) ** 2)))

    cycle = finish(moved(BENCH, bump), 4)
    found = cycle.symptoms
    assert found is not None
    said = [reason for reason in cycle.figure("ripple_pp_nm").reasons if "repeats every turn" in reason]
    (named,) = [float(text) for text in re.findall(r"at ([0-9.]+)°", said[0])]
    (ripple,) = [each for each in found.defects if each.figure == "ripple"]
    assert ripple.angle_deg == pytest.approx(named, abs=0.06)
    assert ripple.height_nm == pytest.approx(0.02, rel=0.3)
    assert "cogging" in {each.figure for each in found.defects}


def test_a_cycle_with_nothing_beside_its_figures_says_so() -> None:
    assert finish(moved(BENCH, lambda _, turned: 0.0 * turned), 5).symptoms == Symptoms()
