"""Families of orders and strokes: bounded blocks, honest amplitudes, level and slope."""

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.evidence.cycle_values import Declared
from nightturn.model.phases import HOLD
from nightturn.model.tiles import Float64s
from nightturn.trend.order_families import NAMES, STROKES, Leg, amplitudes, families_of
from nightturn.trend.rolling import (
    BLOCKS_MAX,
    WAITING_MAX,
    Block,
    Known,
    Rolling,
    Stroke,
    Sums,
    Track,
    estimated,
)
from nightturn.trend.slope import Axis

DECLARED = Declared(16, 36, (("bearing output, outer race of the unit", 10.01),))
HOUR_NS = 3600 * 10**9


def test_every_declared_order_is_in_one_family_and_those_of_the_hold_are_read_from_the_hold() -> None:
    families = families_of(DECLARED, (4, 24), 512)
    names = [each.name for each in families]
    assert names == [*NAMES.values(), "bearing_output_outer_race_of_the_unit_orders_nm", "drive_orders_nm"]
    orders = [order for each in families for order in each.orders]
    assert len(orders) == len({*orders})
    by_name = {each.name: each for each in families}
    assert by_name["cogging_orders_nm"].orders == {288}
    assert by_name["electrical_orders_nm"].legs == (HOLD,)
    assert by_name["electrical_orders_nm"].orders == {16, 32, 96, 192}
    assert by_name["bearing_output_outer_race_of_the_unit_orders_nm"].orders == {10, 20, 30, 40, 50}
    assert 24 in by_name["drive_orders_nm"].orders


def test_without_poles_slots_and_bearings_only_what_is_left_is_followed() -> None:
    assert [each.name for each in families_of(Declared(), (4, 24), 512)] == [
        "shaft_orders_nm",
        "drive_orders_nm",
    ]


def test_the_amplitude_of_a_family_lies_within_its_uncertainty_and_is_none_without_a_floor() -> None:
    rng = np.random.default_rng(3)
    families = families_of(DECLARED, (4, 24), 512)
    slots = next(each for each in families if each.name == "slot_orders_nm")
    true = np.zeros(512)
    true[[order - 1 for order in slots.orders]] = 2e-3
    floor = np.full(512, 4e-4)
    wanted = 2e-3 * np.sqrt(len(slots.orders))
    held, none, faint = 0, [], []
    for _ in range(300):
        noise = (rng.standard_normal(512) + 1j * rng.standard_normal(512)) * floor / np.sqrt(2)
        found = amplitudes(families, [Leg("forward", 1, np.abs(true + noise), floor)])
        value, u = found["slot_orders_nm", 1]
        held += abs(value - wanted) < 1.96 * u
        none.append(found["pole_orders_nm", 1][0])
        faint.append(found["pole_orders_nm", 1][1])
    assert 0.9 <= held / 300 <= 0.99
    assert np.median(none) < 2 * np.median(faint)
    assert amplitudes(families, [Leg("forward", 1, true, np.empty(0))]) == {}
    assert amplitudes(families, [Leg(HOLD, -1, true, floor)]).keys() == {("electrical_orders_nm", -1)}


@given(st.lists(st.floats(-1.0, 1.0), min_size=1, max_size=400))
def test_blocks_are_bounded_hold_every_cycle_once_and_are_its_means(values: list[float]) -> None:
    track = Track("slot_orders_nm", 1)
    for at, value in enumerate(values):
        track.add(at * HOUR_NS, float(at), value, 0.1)
    assert len(track.blocks) <= BLOCKS_MAX
    assert sum(each.count for each in track.blocks) == len(values)
    assert all(each.count == track.length for each in track.blocks[:-1])
    at = 0
    for each in track.blocks:
        part = values[at : at + each.count]
        assert each.ts == at * HOUR_NS
        assert each.value == pytest.approx(np.mean(part), abs=1e-12)
        assert each.u == pytest.approx(0.1 / np.sqrt(each.count))
        at += each.count


@given(st.lists(st.floats(-20.0, 20.0), min_size=2, max_size=60))
def test_strokes_of_a_cycle_are_their_mean_and_its_scatter(values: list[float]) -> None:
    sums = Sums()
    for value in values:
        sums.add(Stroke(1, value, 2 * value, abs(value)))
    found = sums.result()
    assert {*found} == {*STROKES}
    mean, u = found["stroke_mean_nm"]
    assert mean == pytest.approx(np.mean(values), abs=1e-9)
    assert u == pytest.approx(np.std(values, ddof=1) / np.sqrt(len(values)), abs=1e-9)
    assert Sums().result() == {}


def _tracked(slope: float, cycles: int) -> Track:
    rng = np.random.default_rng(5)
    track = Track("pole_orders_nm", 1)
    for at in range(cycles):
        track.add(at * HOUR_NS, 16.0 * at, 0.010 + slope * at + 1e-4 * rng.standard_normal(), 1e-4)
    return track


def test_a_slope_is_found_along_strokes_and_hours_and_none_where_there_is_none() -> None:
    rising, level = estimated(msgspec.msgpack.encode([_tracked(1e-5, 200), _tracked(0.0, 200)]))
    for each, slope in ((rising, 1e-5), (level, 0.0)):
        strokes, hours = each.rate(Axis.STROKES), each.rate(Axis.HOURS)
        assert strokes is not None
        assert hours is not None
        assert abs(strokes.slope - slope / 16) < strokes.half
        assert abs(hours.slope - slope) < hours.half
        assert each.level is not None
        assert each.level_half is not None
        assert abs(each.level - (0.010 + slope * 198)) < each.level_half
        assert (each.blocks, each.length) == (50, 4)
    assert abs(rising.rates[0].slope) > rising.rates[0].half
    assert abs(level.rates[0].slope) < level.rates[0].half


def _warmed_track(per_k: float, degc: Float64s) -> Track:
    rng = np.random.default_rng(9)
    track = Track("cogging_orders_nm", 1)
    for at, kelvin in enumerate((degc - 24.0).tolist()):
        value = 0.020 + 1e-5 * at + per_k * kelvin + 5e-5 * rng.standard_normal()
        track.add(at * HOUR_NS, 16.0 * at, value, 5e-5, 24.0 + kelvin)
    return track


def test_what_temperature_explains_is_told_apart_from_the_slope_with_what_is_left() -> None:
    at = np.arange(60)
    sway = 24.0 + 2.0 * np.sin(2 * np.pi * at / 25.0)
    warm, cold = estimated(msgspec.msgpack.encode([_warmed_track(-3e-4, sway), _warmed_track(0.0, sway)]))
    for each, per_k in ((warm, -3e-4), (cold, 0.0)):
        assert each.warmed is not None
        assert abs(each.warmed.per_k - per_k) < each.warmed.half < 2e-5
        assert each.warmed.left == pytest.approx(5e-5, rel=0.3)
        assert abs(each.rates[0].slope - 1e-5 / 16) < each.rates[0].half
    assert warm.warmed is not None
    assert cold.warmed is not None
    assert (warm.warmed.seen, cold.warmed.seen) == (True, False)
    assert warm.warmed.explained == pytest.approx(3e-4 * sway.std(), rel=0.05)
    assert warm.degc == pytest.approx(sway[-1])


def test_a_temperature_that_runs_along_with_the_strokes_leaves_no_slope_and_one_that_stands_still_or_is_missing_no_share() -> (
    None
):
    at = np.arange(60, dtype=np.float64)
    along, still, missing = (
        _warmed_track(0.0, degc) for degc in (24.0 + 0.1 * at, 24.0 + 0.004 * at, np.full(60, np.nan))
    )
    missing = Track(
        missing.figure,
        1,
        [msgspec.structs.replace(each, value=0.02 + 1e-6 * at) for at, each in enumerate(missing.blocks)],
    )
    found = estimated(msgspec.msgpack.encode([along, still, missing]))
    assert [each.warmed for each in found] == [None] * 3
    assert [bool(each.rates) for each in found] == [False, True, True]
    assert found[0].why_not.endswith(": temperature went along with it")
    assert found[2].degc is None


def test_where_cycles_follow_unevenly_the_slope_by_the_clock_is_fitted_by_itself() -> None:
    even, rng = _tracked(1e-5, 60), np.random.default_rng(8)
    late = [
        msgspec.structs.replace(each, ts=each.ts + int(rng.integers(0, HOUR_NS // 4))) for each in even.blocks
    ]
    (one, other) = estimated(msgspec.msgpack.encode([even, Track("slot_orders_nm", 1, late)]))
    hours = [each.rate(Axis.HOURS) for each in (one, other)]
    strokes = one.rate(Axis.STROKES)
    assert strokes is not None
    assert hours[0] is not None
    assert hours[1] is not None
    assert hours[0].slope == pytest.approx(16 * strokes.slope, rel=1e-9)
    assert hours[1].slope != hours[0].slope
    assert hours[1].slope == pytest.approx(hours[0].slope, rel=0.05)


def test_what_does_not_stand_out_of_the_noise_has_no_slope_and_says_how_little_there_is() -> None:
    faint = Track(
        "pole_orders_nm", 1, [Block(at * HOUR_NS, 16.0 * at, 1e-5 * (at % 2), 1e-5, 1) for at in range(40)]
    )
    (found,) = estimated(msgspec.msgpack.encode([faint]))
    assert (found.level, found.rates) == (None, ())
    assert found.why_not == "no slope: nothing lies above the noise; most blocks hold less than 25 µN·m"


def test_too_few_cycles_give_no_slope_and_say_so() -> None:
    (found,) = estimated(msgspec.msgpack.encode([_tracked(1e-5, 12)]))
    assert (found.level, found.rates) == (None, ())
    assert found.why_not == "no slope: 12 blocks, 30 are wanted"


def test_strokes_whose_cycle_never_comes_are_not_kept_for_ever_and_a_broken_cycle_leaves_its_out() -> None:
    rolling, known = Rolling(), Known(DECLARED, (4, 24))
    for cycle_no in range(1, 60):
        rolling.stroke(cycle_no, Stroke(1, 0.1, 0.2, 0.1))
    assert len(rolling.strokes) <= WAITING_MAX
    rolling.cycle(59, 0, 0.0, [], known, degc=24.0, complete=False)
    assert (rolling.tracks, rolling.strokes, rolling.cycles) == ([], {}, 0)
