"""Phases and cycles: what the scan makes of standstill, reversal, speed, torque class, gaps and interruptions."""

import re
from dataclasses import replace

import numpy as np
import pytest
from msgspec import structs
from tests.estimation.synthetic import Bench, Recording, clean, cycles_of, feed, motion, record

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.cycles import Estimator, Event
from nightturn.estimation.folds import StrokeSums
from nightturn.estimation.phases import PhaseChange, cell_code, cell_codes
from nightturn.model.tiles import Tile

BENCH = Bench(
    rate_hz=200,
    slow_rpm=30,
    hold_rpm=30,
    exercise_rpm=60,
    ramp_rad_per_s2=30.0,
    strokes=4,
    stroke_deg=270,
    slow_turns=1.2,
    hold_turns=1.2,
    run_up_deg=20,
)
SHAPE = [("slow_turn", 1), ("slow_turn", -1), ("slow_turn", 1), ("hold", 1)]


def shape(cycle: CycleSums) -> list[tuple[str, int]]:
    return [(leg.kind, leg.direction) for leg in cycle.legs]


def phases(events: list[Event]) -> list[str]:
    return [event.phase for event in events if isinstance(event, PhaseChange)]


def moving_spans(bench: Bench) -> list[tuple[int, int]]:
    """First and last sample of every move of a cycle."""
    moving = motion(bench)[1] != 0
    edges = np.flatnonzero(np.diff(moving.astype(int))) + 1
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def with_gap(recording: Recording, start: int, stop: int) -> list[Event]:
    """Feed a recording without the samples [start, stop), then interrupt."""
    estimator = Estimator.start(recording.bench.settings(), 1)
    events = estimator.add(recording.tile(0, start))
    events += estimator.gap(start, stop)
    events += estimator.add(recording.tile(stop))
    return events + estimator.interrupt("the end")


def only_cycles(events: list[Event]) -> list[CycleSums]:
    return [event for event in events if isinstance(event, CycleSums)]


def test_a_cycle_is_three_slow_passes_a_hold_and_its_strokes() -> None:
    estimator = Estimator.start(BENCH.settings(), 5)
    events = feed(estimator, record(BENCH, cycles=2))
    first, second = only_cycles(events)
    assert shape(first) == SHAPE
    assert shape(second) == [(kind, -way) for kind, way in SHAPE]
    assert [(c.cycle_no, c.direction, c.strokes, c.complete) for c in (first, second)] == [
        (5, 1, 4, True),
        (6, -1, 4, True),
    ]
    strokes = [event for event in events if isinstance(event, StrokeSums)]
    assert [(s.cycle_no, s.stroke_no, s.direction) for s in strokes[:5]] == [
        (5, 1, -1),
        (5, 2, 1),
        (5, 3, -1),
        (5, 4, 1),
        (6, 1, -1),
    ]
    assert events.index(first) == events.index(strokes[3]) + 1
    walk = ["slow_turn", "stand"] * 3 + ["hold", "stand"] + ["exercise", "stand"] * 4
    assert phases(events) == walk * 2


def test_a_record_knows_its_first_and_last_sample_and_tick() -> None:
    cycle = cycles_of(record(BENCH))[0]
    spans = moving_spans(BENCH)
    assert spans[0][0] < cycle.index_first < spans[0][1]
    assert spans[-1][0] < cycle.index_last < spans[-1][1]
    assert (cycle.tick_first, cycle.tick_last) == (
        1000 + cycle.index_first * 100,
        1000 + cycle.index_last * 100,
    )


def test_no_ramp_reaches_a_fold() -> None:
    cycle = cycles_of(record(BENCH))[0]
    speed = motion(BENCH)[1]
    top = BENCH.slow_rpm / 60 * 2 * np.pi
    for leg in cycle.legs:
        steady = np.abs(speed[leg.index_first : leg.index_last + 1])
        assert steady.min() > 0.99 * top
        assert leg.n == len(steady)
    turned = [abs(leg.encoder_last - leg.encoder_first) / leg.counts_per_rev for leg in cycle.legs]
    assert min(turned) > 1.15


def test_a_ramp_through_the_slow_speed_opens_no_leg() -> None:
    bench = replace(BENCH, ramp_rad_per_s2=3.0, stroke_deg=2000, run_up_deg=120)
    cycles = cycles_of(record(bench))
    assert [shape(c) for c in cycles] == [SHAPE]
    assert cycles[0].strokes == 4


def test_with_no_hold_the_third_pass_ends_the_cycle() -> None:
    bench = replace(BENCH, hold_nm=0.0, strokes=0)
    cycles = cycles_of(record(bench, cycles=2))
    assert [shape(c) for c in cycles] == [SHAPE[:3], [(kind, -way) for kind, way in SHAPE[:3]]]
    assert all(c.complete for c in cycles)


def test_with_no_strokes_the_hold_ends_the_cycle() -> None:
    cycles = cycles_of(record(replace(BENCH, strokes=0)))
    assert [shape(c) for c in cycles] == [SHAPE]
    assert cycles[0].complete


@pytest.mark.parametrize("exercise_rpm", [30, 60])
@pytest.mark.parametrize("hold_rpm", [30, 20])
def test_speeds_may_be_equal_or_not(exercise_rpm: float, hold_rpm: float) -> None:
    bench = replace(BENCH, exercise_rpm=exercise_rpm, hold_rpm=hold_rpm)
    cycles = cycles_of(record(bench, cycles=2))
    assert [(len(c.legs), c.strokes, c.complete) for c in cycles] == [(4, 4, True)] * 2
    assert shape(cycles[0]) == SHAPE


def test_a_hold_is_told_by_the_size_of_its_torque_whatever_the_sign() -> None:
    assert shape(cycles_of(record(replace(BENCH, hold_nm=5.0)))[0]) == SHAPE
    negative = record(replace(BENCH, hold_nm=5.0))
    turned = replace(negative, raw=(2 * BENCH.zero_count - negative.raw).astype(np.int32))
    assert shape(cycles_of(turned)[0]) == SHAPE


def test_an_interruption_ends_what_is_open_as_incomplete() -> None:
    recording = record(BENCH)
    start, stop = moving_spans(BENCH)[1]
    middle = (start + stop) // 2
    estimator = Estimator.start(BENCH.settings(), 1)
    events = estimator.add(recording.tile(0, middle))
    events += estimator.interrupt("guard opened")
    cycle = only_cycles(events)[0]
    assert not cycle.complete
    assert cycle.reasons[0] == "guard opened"
    assert shape(cycle) == SHAPE[:2]
    assert estimator.phase == "stand"
    # the rest of that pass belongs to nobody: nothing opens before a standstill or a reversal
    rest = estimator.add(recording.tile(middle, stop))
    assert rest == []
    after = only_cycles(feed(estimator, recording, 500, start=stop))
    assert [(c.cycle_no, shape(c)[0]) for c in after] == [(2, SHAPE[2])]


def test_a_restart_of_the_device_interrupts() -> None:
    recording = record(BENCH)
    half = moving_spans(BENCH)[2][0]
    estimator = Estimator.start(BENCH.settings(), 1)
    events = estimator.add(recording.tile(0, half))
    events += estimator.add(replace_epoch(recording, half))
    cycle = only_cycles(events)[0]
    assert (cycle.epoch, cycle.complete) == (0, False)
    assert cycle.reasons[0] == "the device or the host restarted"
    assert all(c.epoch == 1 for c in only_cycles(events + estimator.interrupt("the end"))[1:])


def replace_epoch(recording: Recording, start: int) -> Tile:
    tile = recording.tile(start, None, epoch=1)
    return structs.replace(tile, index=0)


def test_an_idle_estimator_has_nothing_to_interrupt() -> None:
    estimator = Estimator.start(BENCH.settings(), 1)
    assert estimator.interrupt("stop") == []
    assert estimator.add(record(BENCH).tile(0, 100)) == []
    assert estimator.interrupt("stop") == []


def test_a_short_gap_inside_a_pass_costs_samples_and_nothing_else() -> None:
    recording = record(BENCH)
    start, stop = moving_spans(BENCH)[0]
    middle = (start + stop) // 2
    whole = cycles_of(recording)[0]
    cycle = only_cycles(with_gap(recording, middle, middle + 37))[0]
    assert shape(cycle) == SHAPE
    assert cycle.complete
    assert cycle.missing == 37
    assert cycle.legs[0].n == whole.legs[0].n - 37
    assert cycle.legs[0].index_last == whole.legs[0].index_last


def test_a_long_gap_at_steady_speed_is_bridged_by_the_encoder() -> None:
    bench = replace(BENCH, slow_turns=4.0)
    recording = record(bench)
    start, _ = moving_spans(bench)[0]
    cycle = only_cycles(with_gap(recording, start + 200, start + 800))[0]
    assert shape(cycle) == SHAPE
    assert cycle.legs[0].n == cycles_of(recording)[0].legs[0].n - 600


def test_a_gap_over_a_reversal_ends_the_pass_and_the_next_one_counts() -> None:
    recording = record(BENCH)
    spans = moving_spans(BENCH)
    cycle = only_cycles(with_gap(recording, spans[0][1] - 200, spans[1][0] + 120))[0]
    assert shape(cycle) == SHAPE
    assert cycle.legs[0].n < cycles_of(recording)[0].legs[0].n


def test_a_pass_lost_in_a_gap_leaves_one_incomplete_cycle() -> None:
    recording = record(BENCH)
    spans = moving_spans(BENCH)
    cycles = only_cycles(with_gap(recording, spans[1][0] - 20, spans[1][1] + 20))
    assert [shape(c) for c in cycles] == [[SHAPE[0], SHAPE[2], SHAPE[3]]]
    assert cycles[0].reasons == ("2 of 3 slow passes were seen",)
    assert cycles[0].strokes == 4


def test_a_lost_hold_is_said() -> None:
    recording = record(BENCH)
    spans = moving_spans(BENCH)
    cycles = only_cycles(with_gap(recording, spans[3][0] - 20, spans[3][1] + 20))
    assert [c.reasons for c in cycles] == [("the hold was not seen",)]


def test_the_next_cycle_ends_one_whose_strokes_were_lost() -> None:
    recording = record(BENCH, cycles=2)
    spans = moving_spans(BENCH)
    cycles = only_cycles(with_gap(recording, spans[6][0] - 20, spans[7][1] + 20))
    assert [(c.strokes, c.complete) for c in cycles] == [(2, False), (4, True)]
    assert cycles[0].reasons == ("2 of 4 strokes were seen",)


def test_a_plan_that_starts_again_closes_the_old_cycle() -> None:
    recording = record(BENCH)
    one = recording.tile()
    stop = moving_spans(BENCH)[0][1] + 100
    estimator = Estimator.start(BENCH.settings(), 1)
    events = estimator.add(recording.tile(0, stop))
    back = recording.encoder[stop] - recording.encoder[0]
    moved = structs.replace(one, index=stop, encoder=one.encoder + back)
    events += estimator.add(moved)
    cycles = only_cycles(events)
    assert [(shape(c), c.complete) for c in cycles] == [([SHAPE[0]], False), (SHAPE, True)]


def test_a_jog_is_no_pass() -> None:
    bench = replace(BENCH, slow_turns=0.04, run_up_deg=15, hold_nm=0.0, strokes=0)
    assert cycles_of(record(bench)) == []


def test_rails_jumps_and_flags_are_counted_by_leg_and_rails_stay_out_of_the_sums() -> None:
    recording = record(BENCH)
    start, stop = moving_spans(BENCH)[0]
    middle = (start + stop) // 2
    raw = recording.raw.copy()
    raw[middle : middle + 5] = (1 << 23) - 1
    raw[middle + 20] += round(2.0 / BENCH.lsb_nm)
    cycle = cycles_of(replace(recording, raw=raw))[0]
    clean_cycle = cycles_of(recording)[0]
    leg, before = cycle.legs[0], clean_cycle.legs[0]
    assert (leg.railed, leg.jumps, leg.n) == (5, 4, before.n - 5)
    assert leg.raw_max == (1 << 23) - 1
    assert abs(leg.raw_sum - before.raw_sum) < 5 * 50_000 + round(2.0 / BENCH.lsb_nm) + 1
    assert [other.railed for other in cycle.legs[1:]] == [0, 0, 0]
    assert cycle.sha256() != clean_cycle.sha256()


def test_the_mean_temperature_is_that_of_the_cycle() -> None:
    recording = record(BENCH, cycles=2)
    estimator = Estimator.start(BENCH.settings(), 1)
    half = len(recording.raw) // 2
    estimator.warm([("housing", 21_000)])
    estimator.warm([("housing", 23_000)])
    events = estimator.add(recording.tile(0, half))
    estimator.warm([("housing", 30_000)])
    events += estimator.add(recording.tile(half))
    first, second = only_cycles(events)
    assert first.temperatures == {"housing": (2, 44_000)}
    assert second.temperatures == {"housing": (1, 30_000)}
    strokes = [event for event in events if isinstance(event, StrokeSums)]
    assert strokes[0].temperature_milli_degc == 23_000
    assert strokes[-1].temperature_milli_degc == 30_000


def test_samples_seen_twice_are_dropped() -> None:
    recording = record(BENCH)
    estimator = Estimator.start(BENCH.settings(), 1)
    events: list[Event] = []
    for a in range(0, len(recording.raw), 400):
        events += estimator.add(recording.tile(max(a - 150, 0), a + 400))
    assert [c.sha256() for c in only_cycles(events)] == [c.sha256() for c in cycles_of(recording)]


def test_one_code_and_many_codes_agree() -> None:
    settings = BENCH.settings()
    travel = np.arange(-60_000, 60_000, 97, dtype=np.int64)
    assert cell_codes(travel, settings).tolist() == [cell_code(d, 1, settings) for d in travel.tolist()]


def test_a_coarse_encoder_is_followed_too() -> None:
    bench = replace(BENCH, counts_per_rev=4000)
    assert shape(cycles_of(clean(bench).recorded(1))[0]) == SHAPE


# ---- the encoder itself ----------------------------------------------------------------------------------------------
def with_jump(recording: Recording, at: int, counts: int) -> Recording:
    """An encoder that loses or wins counts at a sample and goes on from there."""
    encoder = recording.encoder.copy()
    encoder[at:] += counts
    return replace(recording, encoder=encoder)


@pytest.mark.parametrize("counts", [20_000, -20_000, 60_000, -60_000, 300_000, -(1 << 20)])
@pytest.mark.parametrize("tile", [97, 1000, 50_000])
def test_a_jump_of_the_encoder_ends_the_cycle_and_says_where(counts: int, tile: int) -> None:
    recording = record(BENCH)
    start, stop = moving_spans(BENCH)[1]
    at = (start + stop) // 2
    events = feed(Estimator.start(BENCH.settings(), 1), with_jump(recording, at, counts), tile)
    cycle = only_cycles(events)[0]
    cell = BENCH.settings().cell_samples
    assert not cycle.complete
    assert shape(cycle) == SHAPE[:2]
    words = re.fullmatch(
        r"the encoder jumped by -?\d+ counts at sample \d+ or up to 50 ms later", cycle.reasons[0]
    )
    assert words is not None, cycle.reasons
    assert f"at sample {(at - 1) // cell * cell} " in cycle.reasons[0]
    assert cycle.index_last < at


def test_an_encoder_that_stands_still_while_torque_goes_on_ends_the_pass() -> None:
    recording = record(BENCH)
    start, stop = moving_spans(BENCH)[3]
    encoder = recording.encoder.copy()
    middle = (start + stop) // 2
    encoder[middle:] = encoder[middle]
    estimator = Estimator.start(BENCH.settings(), 1)
    cycles = only_cycles(
        feed(estimator, replace(recording, encoder=encoder)) + estimator.interrupt("the end")
    )
    assert not cycles[0].complete
    assert cycles[0].index_last <= middle


def test_neither_ramps_nor_gaps_are_jumps() -> None:
    recording = record(BENCH, cycles=2)
    estimator = Estimator.start(BENCH.settings(), 1)
    events: list[Event] = []
    for a in range(0, len(recording.raw), 470):
        events += estimator.add(recording.tile(a, a + 460))
    cycles = only_cycles(events)
    assert len(cycles) == 2
    assert not any("jumped" in reason for cycle in cycles for reason in cycle.reasons)
