"""Where a series changed: a published series, sets that hold the place, steps against bends, several changes."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.trend.quiet_nights import noise

from nightturn.model.tiles import Float64s
from nightturn.trend.change_point import CHANGES_MAX, CLOSE, LEAST, VALUES_MIN, Found, Kind, changes

# Flow of the Nile at Aswan from 1871 to 1970 in 1e8 m³: G. W. Cobb, Biometrika 65, 1978, 243-251, Table 1, as in the data
# set "nile" of statsmodels 0.15 (public domain), which says of it: an apparent change near 1898.
NILE = """1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140
1100 1210 1150 1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969
831 726 456 824 702 1120 1100 832 764 821 768 845 864 862 698 845 744 796 1040 759
781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890
744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740"""
FLOW = np.array([float(value) for value in NILE.split()])
YEARS = range(1871, 1971)


def drawn(seed: int, rho: float, count: int) -> Float64s:
    return noise(np.random.default_rng(seed), rho, count, 1)[:, 0]


def stepped(count: int, at: int, size: float) -> Float64s:
    return np.where(np.arange(count) >= at, size, 0.0)


def bent(count: int, at: int, size: float) -> Float64s:
    """A ramp from `at` that has added `size` at the end."""
    return np.maximum(np.arange(count) - at, 0.0) * size / (count - 1 - at)


def one(found: tuple[Found, ...]) -> Found:
    assert len(found) == 1
    return found[0]


# ---- a published series ----------------------------------------------------------------------------------------------
def test_the_nile_fell_after_1898_in_one_step() -> None:
    found = one(changes(FLOW))
    at, first, last = found.change.on(YEARS)

    assert found.change.kind is Kind.STEP
    assert found.other is None
    assert at == 1899  # the first year of the lower level: 1898 is the last of the higher one
    # Likelihood to the power 0.65 makes the set wider than Cobb's, whose years are independent of each other.
    assert first <= 1899 <= last
    assert last - first <= 6


def test_the_levels_of_the_nile_are_the_means_of_both_parts() -> None:
    change = one(changes(FLOW)).change
    high, low = FLOW[:28], FLOW[28:]

    assert change.before == pytest.approx(high.mean(), abs=0.5 * change.u_before)
    assert change.after == pytest.approx(low.mean(), abs=0.5 * change.u_after)
    assert change.size == pytest.approx(change.after - change.before, abs=0.2 * change.u)
    # Without resemblance of neighbours; with it the mean is less certain, and never less by much.
    assert change.u > 0.9 * math.sqrt(high.var(ddof=1) / 28 + low.var(ddof=1) / 72)


# ---- sets ------------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
@pytest.mark.parametrize(
    ("kind", "size"),
    [(Kind.STEP, 1.5), (Kind.STEP, 2.5), (Kind.BEND, 4.0)],
    ids=["1.5 step", "2.5 step", "bend"],
)
def test_sets_hold_the_place_and_intervals_the_size_where_noise_resembles_itself(
    rho: float, kind: Kind, size: float
) -> None:
    """Of 90 % sets at least .88 and of 95 % intervals at least .88, less what so few series leave to chance (three errors)."""
    count, at, series = 120, 80, 60
    shape = stepped(count, at, size) if kind is Kind.STEP else bent(count, at, size)
    made = noise(np.random.default_rng(11), rho, count, series) + shape[:, None]
    held, sized, right = 0, 0, 0
    for number in range(series):
        for found in changes(made[:, number]):
            shown = [each for each in (found.change, found.other) if each and each.kind is kind]
            right += len(shown)
            held += sum(at in each.places for each in shown)
            true = size if kind is Kind.STEP else size / (count - 1 - at)
            sized += sum(abs(each.size - true) < 1.96 * each.u for each in shown)

    assert right > 0.5 * series
    assert held / right > 0.88 - 3 * math.sqrt(0.88 * 0.12 / right)
    assert sized / right > 0.88 - 3 * math.sqrt(0.88 * 0.12 / right)


def test_a_set_is_wider_where_neighbours_resemble_each_other_and_narrower_for_a_larger_step() -> None:
    def width(rho: float, size: float) -> float:
        sets = [
            len(found.change.places)
            for seed in range(12)
            for found in changes(drawn(seed, rho, 150) + stepped(150, 90, size))
        ]
        return float(np.mean(sets))

    assert width(0.6, 2.0) > 1.5 * width(0.0, 2.0)
    assert width(0.0, 2.0) > 1.5 * width(0.0, 4.0)


# ---- quiet series, several changes -----------------------------------------------------------------------------------
@pytest.mark.parametrize("rho", [0.0, 0.3, 0.6])
def test_few_quiet_series_have_a_change(rho: float) -> None:
    found = sum(bool(changes(drawn(seed, rho, 120))) for seed in range(60))

    assert found <= 5


def test_several_changes_are_found_each_with_its_own_set_and_levels() -> None:
    levels = np.repeat([0.0, 3.0, 1.0, 4.0], [60, 50, 70, 60])
    found = changes(drawn(2, 0.2, 240) + levels)

    assert [each.change.kind for each in found] == [Kind.STEP] * 3
    for each, at, size in zip(found, (60, 110, 180), (3.0, -2.0, 3.0), strict=True):
        assert at in each.change.places
        assert abs(each.change.size - size) < 3 * each.change.u
        assert abs(each.change.before - levels[at - 1]) < 3 * each.change.u_before
        assert abs(each.change.after - levels[at]) < 3 * each.change.u_after


def test_a_step_and_later_a_ramp_are_told_apart() -> None:
    """A ramp all the way up and two steps down look alike to a search that takes the strongest change first and keeps it."""
    found = changes(drawn(4, 0.2, 300) + stepped(300, 80, 3.0) + bent(300, 180, 8.0))

    assert [each.change.kind for each in found] == [Kind.STEP, Kind.BEND]
    assert all(each.other is None for each in found)
    assert 80 in found[0].change.places
    assert 180 in found[1].change.places
    assert found[1].change.after == pytest.approx(11.0, abs=3 * found[1].change.u_after)


def test_where_the_evidence_does_not_decide_step_and_ramp_are_both_shown() -> None:
    found = one(changes(drawn(6, 0.3, 60) + bent(60, 30, 2.5)))

    assert found.other is not None
    assert {found.change.kind, found.other.kind} == {Kind.STEP, Kind.BEND}
    assert 0.0 <= found.change.gain - found.other.gain < CLOSE


def test_changes_keep_their_distance_and_their_number_is_bounded() -> None:
    levels = np.cumsum(np.tile([12.0, -5.0, 9.0], 4))
    found = changes(np.repeat(levels, 24) + drawn(1, 0.0, 288))
    at = [each.change.at for each in found]

    assert len(found) == CHANGES_MAX < len(levels) - 1
    assert min(np.diff(at)) >= LEAST
    assert at[0] >= LEAST
    assert at[-1] <= 288 - LEAST


# ---- what must not matter --------------------------------------------------------------------------------------------
@given(seed=st.integers(0, 50), shift=st.integers(-1000, 1000), scale=st.sampled_from([0.001, 7.0, -1.0]))
@settings(max_examples=15)
def test_neither_unit_nor_zero_nor_sign_of_a_figure_moves_a_change(
    seed: int, shift: int, scale: float
) -> None:
    values = drawn(seed, 0.3, 80) + stepped(80, 45, 2.0)
    for a, b in zip(changes(values), changes(scale * (shift + values)), strict=True):
        assert a.change.kind is b.change.kind
        assert a.change.places == b.change.places
        assert b.change.size == pytest.approx(scale * a.change.size, rel=1e-5)
        assert b.change.u == pytest.approx(abs(scale) * a.change.u, rel=1e-5)
        assert b.change.before == pytest.approx(scale * (shift + a.change.before), rel=1e-5, abs=1e-6)


def test_backwards_a_step_lies_at_the_same_place() -> None:
    values = drawn(3, 0.3, 100) + stepped(100, 60, 3.0)
    forwards, backwards = one(changes(values)).change, one(changes(values[::-1])).change

    assert backwards.at == 100 - forwards.at
    assert backwards.places == tuple(100 - place for place in reversed(forwards.places))
    assert backwards.size == pytest.approx(-forwards.size, rel=1e-6)


def test_a_place_is_told_in_cycles_strokes_or_clock_times() -> None:
    change = one(changes(drawn(3, 0.0, 100) + stepped(100, 60, 8.0))).change
    cycles = list(range(501, 601))
    strokes = [50 * cycle for cycle in cycles]

    assert change.on(cycles) == (561, 561, 561)
    assert change.on(strokes) == (28050, 28050, 28050)
    assert change.on([f"03:{minute:02d}" for minute in range(100)])[0] == "03:60"


# ---- bad input -------------------------------------------------------------------------------------------------------
def test_too_few_or_equal_values_have_no_change() -> None:
    assert changes(stepped(VALUES_MIN - 1, 10, 5.0)) == ()
    assert changes(np.full(100, 3.0)) == ()


@pytest.mark.parametrize(
    ("values", "least"),
    [(np.array([1.0, math.nan] * 20), 8), (np.zeros((30, 2)), 8), (np.zeros(20_000), 8), (np.zeros(50), 1)],
)
def test_what_cannot_be_searched_is_refused(values: Float64s, least: int) -> None:
    with pytest.raises(ValueError, match="give"):
        changes(values, least=least)


def test_a_change_without_any_noise_is_found_where_it_is() -> None:
    change = one(changes(stepped(60, 25, 1.0))).change

    assert (change.kind, change.at, change.places) == (Kind.STEP, 25, (25,))
    assert change.size == pytest.approx(1.0)
