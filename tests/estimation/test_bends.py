"""A bend of the zero within passes: seen, sized, taken off, and not seen where nothing bends."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest

from nightturn.estimation.bends import NO_BEND, bend_of
from nightturn.estimation.turns import Turns

BINS, TURN_S, NOISE_NM = 256, 20.0, 1e-5
Floats = npt.NDArray[np.float64]


def leg(
    zero: Callable[[Floats], Floats], *, rows: int = 2, begin_s: float = 0.0, way: int = 1, seed: int = 1
) -> Turns:
    """Whole turns of one sense: a pattern of its own, a channel's zero over time, and noise."""
    rng = np.random.default_rng([seed, way % 3, round(begin_s)])
    travelled = np.arange(BINS) if way > 0 else np.arange(BINS)[::-1]
    time: Floats = np.asarray(
        begin_s + (np.arange(rows)[:, None] * BINS + travelled) * (TURN_S / BINS), np.float64
    )
    pattern = 0.02 * np.cos(2 * np.pi * 7 * np.arange(BINS) / BINS) - 0.1 * way
    torque: Floats = np.asarray(pattern + zero(time) + NOISE_NM * rng.standard_normal(time.shape), np.float64)
    n = np.full(time.shape, 9.0)
    first = 0 if way > 0 else BINS - 1
    return Turns(way, n, torque, np.zeros_like(time), time, np.ones(rows, np.bool_), first_bin=first)


def passes(zero: Callable[[Floats], Floats], rows: int = 2) -> list[Turns]:
    """Forward, back and forward again, with a few seconds between."""
    return [leg(zero, rows=rows, begin_s=45.0 * number, way=way) for number, way in enumerate((1, -1, 1))]


def arch(time_s: Floats) -> Floats:
    """A bend and a drift."""
    return 2e-5 * time_s - 1e-6 * (time_s - 70.0) ** 2


def test_a_bend_of_three_passes_is_taken_off_and_put_back() -> None:
    legs = passes(arch)
    bend = bend_of(legs, cable=True)
    # Legendre's second polynomial rises by 3/2 from the middle of ± half to its ends
    assert bend.size_nm == pytest.approx(-1e-6 * bend.half_s**2 / 1.5, rel=0.01)
    for each, other in zip(legs, passes(lambda time: 0.0 * time), strict=True):
        level = bend.without(each).torque_nm - other.torque_nm
        time = each.time_s - each.time_s.mean()
        straight = np.polyval(np.polyfit(time.ravel(), level.ravel(), 1), time)
        assert np.abs(level - straight).max() < 1e-6
        assert bend.restored(bend.without(each)).torque_nm == pytest.approx(each.torque_nm, abs=1e-15)


def test_a_hold_shows_a_bend_by_itself() -> None:
    held = leg(arch, rows=4)
    bend = bend_of([held], cable=False)
    assert bend.size_nm == pytest.approx(-1e-6 * bend.half_s**2 / 1.5, rel=0.02)


def jump(time_s: Floats) -> Floats:
    """A step between the first pass and the second."""
    return np.where(time_s > 42.0, 0.01, 0.0)


@pytest.mark.parametrize("zero", [lambda time: 0.0 * time, lambda time: 2e-4 * time, jump])
def test_noise_a_drift_and_a_step_between_passes_are_no_bend(zero: Callable[[Floats], Floats]) -> None:
    assert bend_of(passes(zero), cable=True) == NO_BEND


def test_noise_passes_for_a_bend_as_seldom_as_it_says() -> None:
    """One in 200 on average: more than 4 of 100 has a chance of 2 in 10 000."""
    found = [bend_of([leg(lambda time: 0.0 * time, rows=4, seed=seed)], cable=False) for seed in range(100)]
    assert sum(each != NO_BEND for each in found) <= 4


def test_single_turns_show_no_bend() -> None:
    assert bend_of(passes(arch, rows=1), cable=True) == NO_BEND


def test_bins_that_are_empty_stay_so() -> None:
    held = leg(arch, rows=4)
    held.n[1, 10:20] = held.torque_nm[1, 10:20] = 0.0
    bend = bend_of([held], cable=False)
    assert bend != NO_BEND
    assert not bend.without(held).torque_nm[1, 10:20].any()
