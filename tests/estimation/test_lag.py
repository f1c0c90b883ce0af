"""The lag between the directions: several orders decide, faint ones together, and what they leave open is said."""

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.cogging import _other_alignments, _Reading
from nightturn.estimation.finish import finish_cycle, measure
from nightturn.estimation.lag import Lag, find_lag

FAST = Bench(
    rate_hz=5000,
    pole_pairs=14,
    slots=24,
    cogging={1: 0.0004, 24: 0.0012, 28: 0.001, 168: 0.022, 336: 0.005},
    slow_rpm=30.0,
    hold_rpm=30.0,
    slow_turns=4.0,
    run_up_deg=200.0,
    ramp_rad_per_s2=6.0,
    noise_nm=0.004,
    lag_s=0.008,
)


def test_eight_milliseconds_at_thirty_turns_a_minute_are_found() -> None:
    # 1.44 degrees, beyond a period of order 168: the alignment next to it read 2.2 % low with status ok
    cycle = cycles_of(record(FAST))[0]
    measured = measure(cycle, FAST.conditions()).cogging
    assert measured is not None
    assert np.degrees(measured.lag.rad) == pytest.approx(1.44, abs=0.02)
    assert measured.peak.value_nm == pytest.approx(FAST.true_cogging_pp(), rel=0.01)
    figure = finish_cycle(cycle, FAST.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert "cogging is at least" not in " ".join(figure.reasons)


def seen(orders: dict[int, float], lag: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Both directions of a pattern, sampled late, with noise E|c|² = noise²."""
    rng = np.random.default_rng(seed)
    out = []
    for way in (1, -1):
        spectrum = noise / np.sqrt(2) * (rng.standard_normal(700) + 1j * rng.standard_normal(700))
        for order, amplitude in orders.items():
            spectrum[order] += amplitude * np.exp(1j * (order * 2.4 - way * order * lag))
        out.append(spectrum)
    return out[0], out[1]


def test_faint_orders_of_the_family_decide_together_where_the_strong_ones_cannot() -> None:
    family = frozenset({*range(24, 505, 24), *range(28, 505, 28)})
    faint = {n: 2.0 for n in family if n % 168}
    noise = np.full(700, 1.0)
    right = 0
    for seed in range(30):
        forward, backward = seen({168: 400.0, 336: 90.0, **faint}, 0.002, 1.0, seed)
        found = find_lag(forward, backward, noise, noise, frozenset({168, 336}), family)
        right += abs(found.rad - 0.002) < 1e-3
    assert right == 30


def test_a_pattern_that_repeats_within_the_range_is_ambiguous_and_names_its_rivals() -> None:
    forward, backward = seen({168: 400.0, 336: 90.0}, 0.002, 1.0, 1)
    noise = np.full(700, 1.0)
    found = find_lag(forward, backward, noise, noise, frozenset({168, 336}))
    assert found.ambiguous
    assert found.rad == pytest.approx(0.002, abs=1e-4)  # the smallest of those that fit alike
    assert np.sort(np.diff(np.sort([found.rad, *found.rivals]))) == pytest.approx(np.pi / 168, rel=1e-2)


def test_an_alignment_that_changes_nothing_does_not_forbid_a_verdict() -> None:
    bench = replace(FAST, cogging={168: 0.022, 336: 0.005}, ripple={}, lag_s=0.002)
    figure = finish_cycle(cycles_of(record(bench))[0], bench.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert figure.value == pytest.approx(bench.true_cogging_pp(), rel=0.01)
    assert figure.status == "ok"


@pytest.mark.parametrize("noise", [0.5, 2.0])
def test_the_uncertainty_of_the_lag_is_its_scatter(noise: float) -> None:
    """300 draws know a scatter to 4 %."""
    variance = np.full(700, noise**2)
    found = [
        find_lag(
            *seen({24: 60.0, 28: 50.0, 168: 40.0}, 0.002, noise, seed),
            variance,
            variance,
            frozenset({24, 28, 168}),
        )
        for seed in range(300)
    ]
    assert not any(lag.ambiguous for lag in found)
    errors = np.array([lag.rad - 0.002 for lag in found])
    assert np.mean([lag.u_rad for lag in found]) == pytest.approx(np.sqrt((errors**2).mean()), rel=0.12)
    assert found[0].known_to_rad == found[0].u_rad


def test_a_lag_with_other_alignments_is_known_to_no_better_than_these() -> None:
    known = Lag(0.001, ambiguous=False, rivals=(0.031, -0.02), u_rad=0.001)
    assert known.known_to_rad == pytest.approx(np.hypot(0.001, 0.03 / np.sqrt(3.0)))


def test_weak_orders_align_rightly_or_leave_it_open() -> None:
    """At 3.6 times their noise half of the orders fell below a gate that either direction had to pass: 24 of 100 were wrong."""
    weak = dict.fromkeys((1, 2, 14, 24, 28, 48, 84, 168, 336, 504), 3.6)
    wrong = 0
    for seed in range(100):
        forward, backward = seen(weak, 0.0, np.sqrt(2.0), seed)
        noise = np.full(700, 2.0)
        found = find_lag(forward, backward, noise, noise, frozenset(weak))
        wrong += abs(found.rad) > 1e-3 and not found.ambiguous
    assert wrong <= 4


LATE = 2 * np.pi / 168
"""Half a period of order 168: to align by as much more turns it round, so all of it would be friction."""


def beside(amplitude_nm: float) -> tuple[Lag, float]:
    """What a second alignment means to a cogging of order 168 and another of this amplitude; noise E|c|² is 1e-8 N²·m²."""
    orders = np.array([7, 168])
    turned = np.array([amplitude_nm, 0.020], np.complex128) * np.exp(1j * np.array([0.4, 1.1]))
    of_mean = np.full(200, 1e-8)
    reading = SimpleNamespace(
        lag=Lag(0.0, ambiguous=True, rivals=(LATE,)),
        forward=SimpleNamespace(orders=orders),
        amplitudes=turned,
        single=(turned, turned),
        of_mean=of_mean,
    )
    return _other_alignments(cast("_Reading", reading))


def test_a_line_that_noise_may_have_made_does_not_settle_the_lag_of_a_single_order() -> None:
    # 12 times its noise: it stands out among the declared orders, where 6.9 do, and 14 are wanted of an order that votes
    lag, other_nm = beside(12**0.5 * 1e-4)
    assert lag.ambiguous
    assert lag.rivals == (LATE,)
    assert other_nm == 0.0


def test_two_sure_orders_settle_alignments_between_which_the_value_hardly_changes() -> None:
    lag, other_nm = beside(20**0.5 * 1e-4)
    assert not lag.ambiguous
    assert 0.0 < other_nm < 0.01 * 0.040
