"""What once misled figures of the truth families, each with the cycles that showed it; fixed seeds."""

import numpy as np
import pytest
from tests.benchmarks.truth.families import BY_NAME
from tests.benchmarks.truth.judging import by_stream

from nightturn.estimation.families import NOTHING_FOUND, NOTHING_OF_FAMILY, faint_orders
from nightturn.estimation.noise_model import Movement, NoiseModel
from nightturn.model.figures import CycleRecord
from nightturn.model.phases import HOLD
from nightturn.model.verdicts import NOT_JUDGED

HUM = "hum 250 Hz on order 672"
DEFECT = "friction defect 20 mN·m x 1°"


def record_of(name: str, white_nm: float, number: int) -> CycleRecord:
    """The record of a cycle of a family."""
    family = BY_NAME[name]
    rng = family.seed(white_nm, number)
    made = family.draw(rng, white_nm)
    found = by_stream([family.recorded(made, rng)], **family.known(made))
    assert found is not None
    return found


@pytest.mark.parametrize("number", [16, 21, 26])
def test_hum_beside_an_order_of_the_unit_is_taken_off_as_the_line_that_it_is(number: int) -> None:
    """Its uneven share of the bins made a line at order 1118 that stood 2.4 to 3 half-widths off."""
    ripple = BY_NAME[HUM].cycle(0.0005, number)["ripple_pp"]

    assert ripple.covered
    assert abs(ripple.error_rel) < ripple.wide_rel


def test_hum_taken_off_is_named_as_hum_and_is_no_symptom() -> None:
    found = record_of(HUM, 0.0005, 16)
    said = found.figure("ripple_pp_nm").reasons

    assert any(each.startswith("Mains hum at order 672.2") for each in said)
    assert not any("a bearing's" in each for each in said)
    assert found.symptoms is not None
    assert not [line for line in found.symptoms.lines if line.phase == HOLD]


def test_a_bend_of_the_zero_widens_no_interval_once_it_is_seen_and_moves_no_mean_torque() -> None:
    """A share of it was taken for 1/f noise (friction ± 7 µN·m, now 3), and the hold's zero was that of its middle (-660 µN·m)."""
    judged = BY_NAME["bend 5 mN·m"].cycle(0.0005, 0)

    assert judged["friction"].covered
    assert judged["friction"].wide_rel < 5e-5
    assert judged["mean_torque"].covered
    assert abs(judged["mean_torque"].error_rel) < 2e-5


def test_a_large_movement_leaves_the_noise_white() -> None:
    """The interval is that of a fit that knows the movement's course, however large the movement is."""
    rng = np.random.default_rng(5)
    n = 40
    time = np.linspace(-1.0, 1.0, n)
    columns = np.column_stack((np.ones(n), time))
    noise, course = rng.standard_normal(n), time**2
    white, flicker = np.ones(n), np.exp(-np.abs(time[:, None] - time) / 0.3)
    picked = np.array([1.0, 0.0])
    u = {}
    for size in (0.0, 300.0):
        model = NoiseModel(
            columns, ["level", "drift"], noise + size * course, white, flicker, [Movement("bend", course)]
        )
        u[size] = model.estimate("", picked).u
        assert size == 0.0 or model.chance("bend") > 0.999
    assert u[0.0] is not None
    assert u[300.0] is not None
    # 2.25 times the variance: what a column t² beside 1 takes of the level in a white fit (9/4, from the moments of t).
    assert u[300.0] < 2.0 * u[0.0]


def test_magnets_that_show_no_line_are_likelier_alike_than_those_that_show_one() -> None:
    amplitudes, noise, gate = np.full(400, 1e-4 + 0j), np.full(400, 2e-8), np.full(400, 7.0)
    family = frozenset(range(24, 400, 24))

    def chance(kept: list[int]) -> float:
        found = faint_orders(amplitudes, noise, gate, frozenset({168, 336}), family, np.array(kept, np.int64))
        return float(found.nothing[-1])

    assert chance([168, 336]) == NOTHING_FOUND
    assert chance([168, 192, 336]) == NOTHING_OF_FAMILY


def test_a_defect_under_as_much_noise_as_moves_its_height_is_not_judged() -> None:
    noisy = record_of(DEFECT, 0.040, 0).figure("friction_variation_pp_nm")
    clear = record_of(DEFECT, 0.006, 0).figure("friction_variation_pp_nm")

    assert noisy.status == NOT_JUDGED
    assert any("of which the peak-to-peak takes the highest" in each for each in noisy.reasons)
    assert not any("of which the peak-to-peak takes the highest" in each for each in clear.reasons)
