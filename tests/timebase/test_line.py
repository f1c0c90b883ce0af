from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.timebase.line import NS_PER_S, SEGMENT_PRODUCT_LIMIT, SLEW_PPM, TimeLine, interpolate

CLOCKS_HZ = st.sampled_from([1_000, 32_768, 1_000_000, 170_000_000, 1_000_000_000])
BENDS = st.lists(
    st.tuples(
        st.floats(0.001, 40.0),  # device seconds to the next knot
        st.integers(-(10**10), 10**10),  # how far off the target says the knot is, ns
        st.integers(-200_000, 200_000),  # skew, ns/s
        st.booleans(),  # forced knot only, as a cut makes it
    ),
    max_size=12,
)


def began(tick_hz: int, floor_ns: int = 0) -> TimeLine:
    line = TimeLine(tick_hz=tick_hz, floor_ns=floor_ns, knots=[])
    line.begin(1_000, 5 * NS_PER_S, NS_PER_S)
    return line


def test_the_rule_between_knots_is_floor_division() -> None:
    knots = [(10, 100), (13, 110), (20, 200)]
    assert [interpolate(knots, tick) for tick in (10, 11, 12, 13, 14, 20)] == [100, 103, 106, 110, 122, 200]


def test_outside_the_knots_the_outer_segments_go_on() -> None:
    knots = [(10, 100), (20, 200), (30, 400)]
    assert interpolate(knots, 5) == 50
    assert interpolate(knots, 31) == 420


@pytest.mark.parametrize(("knots", "tick"), [([], 0), ([(5, 50)], 6)])
def test_too_few_knots_make_no_line(knots: list[tuple[int, int]], tick: int) -> None:
    with pytest.raises(ValueError, match="do not make a line"):
        interpolate(knots, tick)


def test_one_knot_answers_for_its_own_tick() -> None:
    assert interpolate([(5, 50)], 5) == 50


@given(tick_hz=CLOCKS_HZ, bends=BENDS)
def test_a_time_once_given_never_falls_and_knots_rise_with_bounded_slew(
    tick_hz: int, bends: list[tuple[float, int, int, bool]]
) -> None:
    line = began(tick_hz)
    newest = line.ts_at(1_000)
    for seconds, off_ns, skew, forced in bends:
        start = line.last[0]
        tick = start + max(round(seconds * tick_hz), 1)
        asked = sorted({start, (start + tick) // 2, max(tick - 1, start), tick})
        before = [line.ts_at(one) for one in asked]
        rate_before = line.rate_ns
        knots_before = len(line.knots)
        line.advance(tick)
        after = [line.ts_at(one) for one in asked]
        assert before == sorted(before)
        assert before[0] >= newest
        assert all(0 <= late - early <= 1 for early, late in zip(before, after, strict=True))
        for (tick0, ts0), (tick1, ts1) in zip(
            line.knots[knots_before - 1 :], line.knots[knots_before:], strict=False
        ):
            plain = rate_before * (tick1 - tick0) / tick_hz
            assert tick1 > tick0
            assert abs(ts1 - ts0 - plain) <= plain * SLEW_PPM / 1e6 + 3
            assert (tick1 - tick0) * (ts1 - ts0) < 2 * SEGMENT_PRODUCT_LIMIT
        newest = after[-1]
        if not forced:
            line.steer(line.last[1] + off_ns, NS_PER_S + skew)


@given(tick_hz=CLOCKS_HZ, bends=BENDS)
def test_int64_arrays_follow_the_same_rule_exactly(
    tick_hz: int, bends: list[tuple[float, int, int, bool]]
) -> None:
    line = began(tick_hz)
    for seconds, off_ns, skew, _ in bends:
        line.advance(line.last[0] + max(round(seconds * tick_hz), 1))
        line.steer(line.last[1] + off_ns, NS_PER_S + skew)
    for (tick0, ts0), (tick1, ts1) in pairwise(line.knots):
        ticks = np.unique(np.linspace(tick0, tick1 - 1, 7).astype(np.int64))
        times = ts0 + (ticks - tick0) * np.int64(ts1 - ts0) // np.int64(tick1 - tick0)
        assert times.tolist() == [interpolate(line.knots, int(tick)) for tick in ticks]


@pytest.mark.parametrize(
    ("tick_hz", "seconds", "rounded_s", "half_a_digit_s"),
    [(1_000_000, 4294.967296, 71 * 60 + 35, 0.5), (1_000, 4_294_967.296, 49.710 * 86_400, 0.0005 * 86_400)],
    ids=["own arithmetic: microseconds, 71 min 35 s", "own arithmetic: milliseconds, 49.710 d"],
)
def test_time_goes_on_where_a_counter_of_32_bits_begins_again(
    tick_hz: int, seconds: float, rounded_s: float, half_a_digit_s: float
) -> None:
    line = TimeLine(tick_hz=tick_hz, floor_ns=0, knots=[])
    line.begin(0, 0, NS_PER_S)
    period_ns, end = NS_PER_S // tick_hz, 1 << 32
    ahead = [line.ts_at(end + ticks) for ticks in (-1, 0, 1)]
    assert ahead[1] == round(seconds * 1e9)
    assert ahead[1] / 1e9 == pytest.approx(rounded_s, abs=half_a_digit_s)
    assert np.diff(ahead).tolist() == [period_ns, period_ns]
    line.advance(end + 1)  # what was planned is laid now, and stays
    assert [line.ts_at(end + ticks) for ticks in (-1, 0, 1)] == ahead


def test_a_correction_ends_when_knots_stay_away() -> None:
    line = began(1_000_000)
    line.steer(6 * NS_PER_S, NS_PER_S)  # a whole second late
    at_end = line.ts_at(1_000 + 1_500_000)
    assert at_end == 5 * NS_PER_S + 1_500_000_000 + 750_000
    assert line.ts_at(1_000 + 61_500_000) == at_end + 60 * NS_PER_S


def test_the_first_knot_is_not_before_the_epoch_before() -> None:
    line = began(1_000_000, floor_ns=6 * NS_PER_S)
    assert line.last == (1_000, 6 * NS_PER_S)
    assert line.ts_at(0) == 6 * NS_PER_S
    line.advance(1_001_000)
    assert line.last[1] == 7 * NS_PER_S - 500_000  # it slews back to the target


@given(ends=st.lists(st.integers(1, 3_000_000), min_size=1, max_size=8))
def test_cuts_cover_everything_and_share_their_knots(ends: list[int]) -> None:
    line, whole = began(1_000_000), began(1_000_000)
    tick, chunks = 1_000, []
    for length in ends:
        tick += length
        for one in (line, whole):
            one.advance(tick)
            one.steer(one.last[1] + 100_000, NS_PER_S + 20_000)
        end = tick - length // 3
        line.split(end)
        chunks.append(line.take_until(end))
    line.split(tick)
    chunks.append(line.take_until(tick))
    assert chunks[0][0] == whole.knots[0]
    assert all(one[-1] == two[0] for one, two in pairwise(chunks))
    assert all(list(one) == sorted(set(one)) for one in chunks)
    for chunk in chunks:
        for at in {chunk[0][0], (chunk[0][0] + chunk[-1][0]) // 2, chunk[-1][0]}:
            assert 0 <= interpolate(chunk, at) - interpolate(whole.knots, at) <= 1
