"""Friction over angle: its peak to peak, orders and defects, and what cogging, lag and noise must not add to it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from tests.estimation.synthetic import Bench, clean, peak_to_peak
from tests.estimation.test_friction import BENCH, ONE_TURN, finish

from nightturn.estimation.intervals import half_width
from nightturn.estimation.lag import Lag
from nightturn.model.figures import INCOMPLETE, OK, Figure
from nightturn.model.verdicts import NOT_JUDGED

NAME = "friction_variation_pp_nm"
ORDERS = {1: 0.010, 2: 0.004, 3: 0.002}
PATTERNED = replace(BENCH, friction_orders=ORDERS)


def found(bench: Bench, seed: int = 1) -> Figure:
    return finish(clean(bench), seed).figure(NAME)


@pytest.mark.parametrize("changes", [{}, {"sense": -1}, {"lag_s": 0.008}, {"slow_turns": 5.0}])
def test_it_is_the_peak_to_peak_of_what_the_directions_differ_by(changes: dict[str, float]) -> None:
    figure = found(replace(PATTERNED, **changes))  # type: ignore[arg-type] # the values of a test's table
    wide = half_width(figure)
    assert figure.value is not None
    assert wide is not None
    assert abs(figure.value - peak_to_peak(ORDERS)) < 1.5 * wide
    assert wide < 0.04 * figure.value
    assert figure.status == OK
    assert figure.band is not None
    assert re.fullmatch(
        r"Strongest orders of friction, peak: 1 \((10|9\.9) mN·m\), 2 \((4|3\.9|4\.1) mN·m\), 3 \((2|1\.9|2\.1) mN·m\)\.",
        figure.reasons[0],
    )


@pytest.mark.parametrize("lag_s", [0.0, 0.004])
def test_cogging_leaves_nothing_in_it_and_it_nothing_in_the_cogging(lag_s: float) -> None:
    figure = found(replace(BENCH, lag_s=lag_s))
    assert figure.value == 0.0
    assert figure.reasons[0].startswith("Below the noise floor of ")
    wide = half_width(figure)
    assert wide is not None
    assert wide < 0.001
    cogging = finish(clean(PATTERNED)).figure("cogging_pp_nm")
    assert cogging.value == pytest.approx(BENCH.true_cogging_pp(), rel=0.02)


def test_intervals_hold_the_truth() -> None:
    true = peak_to_peak(ORDERS)
    hits = 0
    for seed in range(30):
        figure = found(PATTERNED, seed)
        wide = half_width(figure)
        assert figure.value is not None
        assert wide is not None
        hits += abs(figure.value - true) <= wide
    assert hits >= 23  # of .90 the binomial distribution has 23 or more in 99.3 % of such tests


def test_turns_that_cannot_be_compared_give_no_interval() -> None:
    bench = replace(ONE_TURN, friction_orders=ORDERS)
    figure = found(bench)  # the first and the third pass are two turns of one direction
    assert figure.u is not None
    short = found(replace(bench, slow_turns=0.5))
    assert short.value is None
    assert short.status == INCOMPLETE


def test_directions_that_cannot_be_aligned_are_not_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    lag = Lag(0.0, ambiguous=True)
    monkeypatch.setattr("nightturn.estimation.cogging.find_lag", lambda *_: lag)
    figure = found(PATTERNED)
    assert figure.status == NOT_JUDGED
    assert "Directions could not be aligned; cogging may be taken for friction over angle." in figure.reasons


def test_what_friction_has_at_one_angle_is_found_and_added() -> None:
    source = clean(replace(PATTERNED, noise_nm=0.002, friction_orders={1: 0.004}))
    degrees = np.degrees(2 * np.pi * source.encoder / PATTERNED.counts_per_rev) % 360
    bump = 0.020 * np.exp(-0.5 * ((degrees - 200.0) / 0.8) ** 2)
    way = np.sign(np.gradient(source.encoder.astype(np.float64)))
    figure = finish(replace(source, torque_nm=source.torque_nm - way * bump)).figure(NAME)
    (said,) = (reason for reason in figure.reasons if reason.startswith("A deviation of "))
    assert "at 200" in said or "at 199" in said
    orders = 0.004 * np.cos(np.radians(np.arange(0, 360, 0.1)) + 2.399963)
    wave = orders + 0.020 * np.exp(-0.5 * ((np.arange(0, 360, 0.1) - 200.0) / 0.8) ** 2)
    assert figure.value == pytest.approx(float(np.ptp(wave)), rel=0.05)
