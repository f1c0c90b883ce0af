import math
from itertools import pairwise

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.timebase.adversary import EVENTS, Adversary
from tests.timebase.simulated_line import NS, UTC_OFFSET_NS, Session, ns, session

from nightturn.timebase.clock import WAIT_NS, Timebase
from nightturn.timebase.line import MAX_KNOTS, interpolate

FULL_SPEED_POLL_S = 1e-3
HIGH_SPEED_POLL_S = 125e-6


def p99_us(errors_ns: np.ndarray) -> float:
    return float(np.percentile(np.abs(errors_ns), 99)) / 1e3


def slopes_ppm(one: Session) -> list[float]:
    """Slope of each segment against nominal; the line has not been cut."""
    knots = one.timebase.line.knots
    return [
        1e6 * ((ts1 - ts0) * one.line.tick_hz / (tick1 - tick0) / 1e9 - 1.0)
        for (tick0, ts0), (tick1, ts1) in pairwise(knots)
    ]


@pytest.mark.parametrize(
    ("probe_every", "poll_s", "after_10_s_us", "after_60_s_us"),
    [
        pytest.param(1, FULL_SPEED_POLL_S, 300.0, 100.0, id="every 100 ms, 1 ms polling"),
        pytest.param(1, HIGH_SPEED_POLL_S, 100.0, 60.0, id="every 100 ms, 125 us polling"),
        pytest.param(5, FULL_SPEED_POLL_S, 500.0, 250.0, id="every 500 ms, 1 ms polling"),
        pytest.param(5, HIGH_SPEED_POLL_S, 300.0, 60.0, id="every 500 ms, 125 us polling"),
    ],
)
def test_time_is_good_soon_after_the_start(
    probe_every: int, poll_s: float, after_10_s_us: float, after_60_s_us: float
) -> None:
    early, late = [], []
    for seed in range(12):
        one = session(seed, 60.0, probe_every=probe_every, up_poll_s=poll_s)
        one.run_until(60.0)
        early.append(one.errors_between(5.0, 10.0))
        late.append(one.errors_between(30.0, 60.0))
    assert p99_us(np.concatenate(early)) < after_10_s_us
    assert p99_us(np.concatenate(late)) < after_60_s_us


@pytest.mark.parametrize("probe_every", [1, 5], ids=["every 100 ms", "every 500 ms"])
def test_time_is_within_60_us_at_ten_minutes_and_inside_its_stated_uncertainty(probe_every: int) -> None:
    late = []
    for seed in range(3):
        one = session(100 + seed, 600.0, probe_every=probe_every)
        one.run_until(600.0)
        late.append(one.errors_between(570.0, 600.0))
        errors = np.array([error for _, error in one.errors_ns])
        stated = np.array(one.u_ns)
        assert one.timebase.bound_ns is not None
        assert np.mean(np.abs(errors) <= 3.0 * stated) > 0.98
        assert np.all(np.abs(errors) <= 4.0 * stated + one.timebase.bound_ns)
    assert p99_us(np.concatenate(late)) < 60.0


@pytest.mark.long
def test_eight_hours_of_warm_up_and_wander_stay_within_60_us() -> None:
    one = session(7, 28_800.0)
    while one.now_s < 28_800.0:
        one.run_until(one.now_s + 300.0)
        one.timebase.cut(one.timebase.newest_tick)
    assert p99_us(one.errors_between(600.0, 28_800.0)) < 60.0
    assert one.timebase.filter is not None
    assert one.timebase.filter.reacquired == 0


def test_an_outlier_as_the_very_first_probe_does_not_start_the_filter() -> None:
    one = session(3, 60.0)
    assert one.timebase.want_probe(0)
    one.timebase.probe_sent(1, 0)
    one.timebase.probed(1, one.line.tick(0.015), one.line.tick(0.015), ns(0.0155))
    one.next_id = 2
    one.run_until(60.0)
    assert p99_us(one.errors_between(5.0, 10.0)) < 300.0
    assert p99_us(one.errors_between(30.0, 60.0)) < 60.0


def test_half_a_minute_of_one_way_congestion_moves_nothing() -> None:
    one = session(5, 150.0)

    def extra_s(host_s: float) -> float:
        return float(one.line.rng.uniform(5e-3, 40e-3)) if 100.0 <= host_s < 130.0 else 0.0

    one.line.extra_up_s = extra_s
    one.run_until(150.0)
    assert float(np.abs(one.errors_between(100.0, 150.0)).max()) < 60e3
    assert one.timebase.filter is not None
    assert one.timebase.filter.reacquired == 0


def test_a_path_that_slows_for_good_is_followed() -> None:
    one = session(11, 1500.0, probe_every=5)
    one.run_until(100.0)
    one.line.base_s = 2.5e-3
    one.run_until(1500.0)
    assert one.timebase.rtt_min_ns is not None
    assert one.timebase.rtt_min_ns > 4_900_000
    assert p99_us(one.errors_between(1400.0, 1500.0)) < 150.0


@pytest.mark.parametrize("step_s", [0.5, -0.05], ids=["forward", "back"])
def test_a_step_of_the_device_clock_is_reacquired_and_slewed_without_a_step_of_time(step_s: float) -> None:
    one = session(9, 200.0)
    one.run_until(60.0)
    wander = one.line.device_s
    one.line.device_s = lambda host_s: wander(host_s) + (step_s if host_s > 60.05 else 0.0)
    one.run_until(130.0)
    assert one.timebase.locked
    steps = [update for update in one.updates if update.reacquired]
    assert len(steps) == 1
    assert steps[0].innovation_ns == pytest.approx(-step_s * 1e9, abs=5e5)
    knots = one.timebase.line.knots
    assert knots == sorted(knots)
    assert all(two[1] >= one_[1] for one_, two in pairwise(knots))
    # The tick that jumped is itself nominal time; beyond it every segment slews at most 500 ppm.
    assert all(abs(slope) < 500.0 + 60.0 for slope in slopes_ppm(one))
    assert abs(one.knots[-1].residual_ns) > 1_000_000
    assert one.knots[-1].u_ns >= abs(one.knots[-1].residual_ns)
    one.run_until(200.0)
    if step_s < 0:
        assert p99_us(one.errors_between(190.0, 200.0)) < 100.0


def test_a_suspended_host_leaves_the_samples_in_order_and_the_residual_on_record() -> None:
    """The host's monotonic clock stands still for 20 s while the device goes on."""
    one = session(13, 200.0)
    one.run_until(60.0)
    wander = one.line.device_s
    one.line.device_s = lambda host_s: wander(host_s + (20.0 if host_s > 60.0 else 0.0))
    one.run_until(120.0)
    assert [update.reacquired for update in one.updates].count(True) == 1
    knots = one.timebase.line.knots
    assert all(two[1] >= one_[1] for one_, two in pairwise(knots))
    assert one.knots[-1].residual_ns == pytest.approx(20e9, rel=0.01)
    assert one.timebase.u_ns > 19e9


def test_a_silent_line_goes_on_at_the_estimated_rate_with_growing_uncertainty() -> None:
    one = session(17, 200.0)
    one.run_until(120.0)
    tick, before_u = one.line.tick(180.0), one.timebase.u_ns
    assert abs(one.timebase.ts_of(tick) - UTC_OFFSET_NS - 180 * NS) < 300_000
    one.timebase.note_block(tick, ns(180.0))
    assert one.timebase.u_ns > before_u
    one.steps, one.now_s = 1800, 180.0
    one.run_until(200.0)
    assert p99_us(one.errors_between(190.0, 200.0)) < 100.0


def test_the_drift_line_gives_the_skew_of_the_reciprocal() -> None:
    """Own arithmetic: mcu = t (1 - 20e-6) - 5 has slope 1.0000200004 against mcu, not 1.0000200000."""
    timebase = Timebase.start(1_000_000_000, 0, 0)
    for probe, second in enumerate(range(0, 3541, 1)):
        tick = round((second * (1 - 20e-6) - 5 + 10) * 1e9)
        assert timebase.want_probe(second * NS)
        timebase.probe_sent(probe, second * NS)
        timebase.probed(probe, tick, tick, second * NS)
    assert timebase.skew_ppm == pytest.approx(20.0004, abs=1e-4)


def test_the_skew_and_the_time_hold_across_the_end_of_32_bits_of_microseconds() -> None:
    """Own arithmetic: 2^32 µs are 4294.967296 s; a device 20 ppm slow takes 85.9 ms longer for them."""
    timebase, wrap = Timebase.start(1_000_000, 0, 0), 1 << 32
    late = 1 / (1 - 20e-6)  # host seconds of a device second
    times = {}
    for probe in range(600):
        tick = wrap + (probe - 300) * 1_000_000
        host_ns = round(tick * 1_000 * late)
        assert timebase.want_probe(host_ns)
        timebase.probe_sent(probe, host_ns)
        timebase.probed(probe, tick, tick, host_ns)
        timebase.block(tick, tick, host_ns)
        times[tick] = host_ns
    assert timebase.skew_ppm == pytest.approx(20.0004, abs=1e-3)
    for tick in (wrap - 200_000_000, wrap - 1_000_000, wrap, wrap + 1_000_000, wrap + 200_000_000):
        assert timebase.ts_of(tick) == pytest.approx(times[tick], abs=1_000), tick - wrap
    assert times[wrap] - wrap * 1_000 == pytest.approx(85.9e6, abs=0.05e6)
    assert 999 <= timebase.ts_of(wrap) - timebase.ts_of(wrap - 1) <= 1_001


def test_an_epoch_without_answers_starts_after_five_seconds_from_its_arrivals() -> None:
    timebase = Timebase.start(1_000_000, UTC_OFFSET_NS, 0)
    timebase.note_block(1_000, ns(0.004))
    assert timebase.knot(100_000, ns(0.104)) is None
    assert timebase.knot(4_900_000, WAIT_NS + ns(0.003)) is None
    timebase.note_block(4_900_000, ns(4.902))
    knot = timebase.knot(5_000_000, WAIT_NS + ns(0.004))
    assert knot is not None
    assert (knot.locked, knot.rtt_ns, knot.u_ns) == (False, -1, 100_000_000)
    # the earliest arrival decides: tick 4 900 000 came at 4.902 s
    assert timebase.ts_of(1_000) == UTC_OFFSET_NS + ns(4.902) - 4_899_000_000
    assert timebase.unlocked_until_tick == 5_000_000


def test_an_epoch_that_locks_late_slews_to_the_truth_and_marks_what_came_before() -> None:
    one = session(19, 60.0)
    line = one.line

    for step in range(1, 101):  # ten seconds without an answer, blocks 30 ms late
        one.timebase.note_block(line.tick(step / 10 - 0.1), ns(step / 10 + 0.03))
        one.timebase.knot(line.tick(step / 10), ns(step / 10 + 0.03))
    assert one.timebase.filter is None
    assert one.timebase.unlocked_until_tick > line.tick(8.0)
    one.steps, one.now_s = 100, 10.0
    one.run_until(60.0)
    assert one.knots[-1].locked
    assert one.timebase.unlocked_until_tick > line.tick(15.0)  # 30 ms take a minute; still on the way
    assert abs(one.knots[-1].residual_ns) < abs(one.knots[0].residual_ns) + 1_000_000
    assert one.timebase.u_ns > 1_000_000


def test_samples_that_waited_for_the_lock_get_its_time() -> None:
    one = session(23, 20.0, probe_every=5)
    one.line.outliers = 0.0
    for probe in range(40):  # one probe each half second: the lock comes after two seconds
        at_s = probe * 0.5
        assert one.timebase.want_probe(ns(at_s))
        one.probe(at_s)
        for step in range(1, 6):
            last_s = at_s + step / 10
            one.timebase.note_block(one.line.tick(last_s - 0.1), ns(last_s + 0.001))
            if one.timebase.knot(one.line.tick(last_s), ns(last_s + 0.001)) and not one.knots:
                first = one.timebase.ts_of(one.line.tick(0.0))
                assert abs(first - UTC_OFFSET_NS) < 500_000
    assert one.timebase.unlocked_until_tick == 0
    chunk = one.timebase.cut(one.line.tick(20.0))
    assert chunk[0][0] == one.line.tick(0.0)
    assert chunk[-1][0] == one.line.tick(20.0)


def test_no_time_is_before_the_epoch_before() -> None:
    one = session(29, 20.0)
    one.timebase = Timebase.start(1_000_000, UTC_OFFSET_NS, UTC_OFFSET_NS + ns(0.001))
    one.run_until(20.0)
    chunk = one.timebase.cut(one.line.tick(20.0))
    assert chunk[0] == (one.line.tick(0.0), UTC_OFFSET_NS + ns(0.001))
    assert one.timebase.ts_of(one.line.tick(0.0) - 50) >= UTC_OFFSET_NS + ns(0.001)
    assert p99_us(one.errors_between(10.0, 20.0)) < 300.0


def test_a_cut_before_the_lock_hands_over_unlocked_knots() -> None:
    timebase = Timebase.start(1_000_000, UTC_OFFSET_NS, 0)
    assert timebase.cut(10) == ()
    timebase.note_block(1_000, ns(0.01))
    chunk = timebase.cut(101_000)
    assert [tick for tick, _ in chunk] == [1_000, 101_000]
    assert timebase.unlocked_until_tick == 101_000


def test_a_cut_at_a_tick_already_cut_repeats_its_knot_alone() -> None:
    one = session(31, 20.0)
    one.run_until(20.0)
    chunk = one.timebase.cut(one.line.tick(20.0))
    assert one.timebase.cut(one.line.tick(20.0)) == chunk[-1:]
    assert one.timebase.cut(one.line.tick(19.0)) == ()


def test_before_the_first_knot_a_time_is_the_best_guess() -> None:
    previous_ts_ns = UTC_OFFSET_NS + NS
    timebase = Timebase.start(1_000_000, UTC_OFFSET_NS, previous_ts_ns)
    assert timebase.ts_of(5) == previous_ts_ns
    assert timebase.want_probe(3 * NS)
    assert timebase.ts_of(5) == UTC_OFFSET_NS + 3 * NS
    timebase.note_block(1_000, 3 * NS)
    assert timebase.ts_of(1_000) == UTC_OFFSET_NS + 3 * NS
    assert timebase.ts_of(501_000) == UTC_OFFSET_NS + 3 * NS + NS // 2
    assert timebase.ts_of(1_000 - 10_000_000) == previous_ts_ns
    timebase.probe_sent(1, 3 * NS)
    timebase.probed(1, 1_000, 1_000, 3 * NS + 100_000)
    assert timebase.ts_of(1_000) == UTC_OFFSET_NS + 3 * NS + 50_000


def test_a_device_clock_must_have_a_rate() -> None:
    with pytest.raises(ValueError, match="positive"):
        Timebase.start(0, 0, 0)


def test_stamps_that_cannot_be_are_ignored_and_counted() -> None:
    timebase = Timebase.start(1_000_000, 0, 0)
    for probe, (rx, tx, at_ns) in enumerate([(20, 10, 5_000), (10, 20, -1)]):
        timebase.want_probe(probe * NS)
        timebase.probe_sent(probe, probe * NS)
        assert timebase.probed(probe, rx, tx, probe * NS + at_ns) is None
    assert timebase.ignored == 2
    assert timebase.probed(99, 1, 2, 3) is None
    assert timebase.probes.stale == 1


def test_ticks_from_another_age_are_ignored_and_the_state_still_fits_64_bits() -> None:
    one = session(43, 20.0)
    one.run_until(20.0)
    before = one.timebase.ts_of(one.line.tick(20.0))
    far = 2**64 - 1
    one.timebase.note_block(far, ns(20.0))
    assert one.timebase.knot(far, ns(20.0)) is None
    assert one.timebase.want_probe(ns(20.1))
    one.timebase.probe_sent(one.next_id, ns(20.1))
    assert one.timebase.probed(one.next_id, far, far, ns(20.2)) is None
    chunk = one.timebase.cut(far)
    assert one.timebase.ignored == 4
    assert chunk[-1][0] <= one.line.tick(20.0)
    assert one.timebase.ts_of(one.line.tick(20.0)) == before
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(one.timebase), type=Timebase) == one.timebase


def test_knots_are_bounded_when_no_cut_comes() -> None:
    timebase = Timebase.start(1_000, UTC_OFFSET_NS, 0)
    newest = 0
    for second in range(MAX_KNOTS + 200):
        timebase.note_block(second * 1_000, second * NS)
        timebase.knot(second * 1_000, second * NS)
        if timebase.line.started:
            ts = timebase.ts_of(second * 1_000)
            assert ts > newest
            newest = ts
    assert len(timebase.line.knots) == MAX_KNOTS
    assert timebase.knots_refused > 100
    assert len(timebase.cut((MAX_KNOTS + 200) * 1_000)) > MAX_KNOTS
    assert len(timebase.line.knots) == 1


def test_cuts_leave_the_times_as_they_would_have_been() -> None:
    whole, cut = session(37, 90.0), session(37, 90.0)
    chunks = []
    for second in range(7, 91, 7):
        for one in (whole, cut):
            one.run_until(float(second))
        chunks.append(cut.timebase.cut(cut.line.tick(cut.now_s)))
    for one in (whole, cut):
        assert one.timebase.filter is not None
    assert all(first[-1] == second[0] for first, second in pairwise(chunks))
    assert len(cut.timebase.line.knots) == 1
    for chunk in chunks:
        ticks = np.linspace(chunk[0][0], chunk[-1][0], 20).astype(int).tolist()
        # a forced knot is rounded up to the nanosecond, and the next second starts from there
        assert all(abs(interpolate(chunk, tick) - whole.timebase.ts_of(tick)) <= 4 for tick in ticks)


@pytest.mark.parametrize("at_s", [0.03, 1.0, 4.2, 30.0])
def test_a_restored_timebase_has_the_same_future(at_s: float) -> None:
    one, other = session(41, 60.0), session(41, 60.0)
    for each in (one, other):
        each.run_until(at_s)
    state = msgspec.msgpack.encode(other.timebase)
    other.timebase = msgspec.msgpack.decode(state, type=Timebase)
    for each in (one, other):
        each.run_until(60.0)
    assert one.knots == other.knots
    assert one.errors_ns == other.errors_ns
    assert msgspec.msgpack.encode(one.timebase) == msgspec.msgpack.encode(other.timebase)


@settings(max_examples=150, deadline=None)
@given(events=EVENTS, previous_ts_ns=st.sampled_from([0, UTC_OFFSET_NS, UTC_OFFSET_NS + 5 * NS]))
def test_time_never_falls_whatever_happens(events: list[tuple[str, int]], previous_ts_ns: int) -> None:
    adversary = Adversary(previous_ts_ns)
    for kind, value in events:
        adversary.play(kind, value)
        adversary.check_time()
    assert math.isfinite(adversary.timebase.u_ns)
