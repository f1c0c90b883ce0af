"""What lies before the converter is taken off each order, with its own uncertainty, and said where it is not known."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.extremes import Lines
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.lag import find_lag
from nightturn.estimation.transfer import FILTER_REACH, Doubt, Response, Transfer, transfer_of
from nightturn.model.figures import CycleRecord

BENCH = Bench(noise_nm=0.001, cogging={36: 0.01, 288: 0.02}, ripple={32: 0.005}, slow_rpm=2.0, hold_rpm=2.0)
STATED = {"filter_u_rel": 0.05, "filter_source": "the device's sheet, corner taken as known to 5 %"}
CYCLE = cycles_of(record(BENCH))[0]


def finish(**changes: Any) -> CycleRecord:
    return finish_cycle(CYCLE, BENCH.conditions(**changes), 0, 0, 0, 0)


def said(found: CycleRecord, name: str) -> str:
    return " ".join(found.figure(name).reasons)


def lines(*pairs: tuple[int, complex]) -> Lines:
    orders = np.array([order for order, _ in pairs], np.int64)
    amplitudes = np.array([amplitude for _, amplitude in pairs], np.complex128)
    return Lines(orders, amplitudes, np.full(len(pairs), 1e-12))


@pytest.mark.parametrize(
    ("poles", "at_corner", "at_twice"), [(1, 0.7071068, 0.4472136), (2, 0.7071068, 0.2425356)]
)
def test_a_filter_leaves_of_an_order_what_butterworths_formula_says(
    poles: int, at_corner: float, at_twice: float
) -> None:
    # 1 / sqrt(1 + r^2m) (S. Butterworth, Experimental Wireless 7, 1930, 536-541; from memory); order n at 60 rpm is at n Hz
    gain = transfer_of(BENCH.conditions(filter_hz=10.0, filter_poles=poles, **STATED), 60.0, 100).gain
    assert gain[10] == pytest.approx(at_corner)
    assert gain[20] == pytest.approx(at_twice)
    assert gain[0] == 1.0
    assert (gain[21:] == gain[20]).all()  # beyond its reach nothing more is made of an order


@pytest.mark.parametrize(("poles", "at_corner_deg"), [(1, 45.0), (2, 90.0)])
def test_a_filter_is_late_by_an_eighth_of_a_turn_at_its_corner_for_each_pole(
    poles: int, at_corner_deg: float
) -> None:
    late = transfer_of(BENCH.conditions(filter_hz=10.0, filter_poles=poles, **STATED), 60.0, 30).late_rad
    assert np.degrees(late[10]) == pytest.approx(at_corner_deg)
    assert (np.diff(late[:20]) > 0).all()


@given(
    way=st.sampled_from([-1, 1]),
    corner_hz=st.floats(2.0, 100.0),
    poles=st.sampled_from([1, 2]),
    size=st.floats(0.001, 1.0),
    phase=st.floats(-3.0, 3.0),
)
def test_what_a_filter_made_of_an_order_is_undone_in_either_sense(
    way: int, corner_hz: float, poles: int, size: float, phase: float
) -> None:
    transfer = transfer_of(BENCH.conditions(filter_hz=corner_hz, filter_poles=poles, **STATED), 60.0, 10, way)
    true = size * np.exp(1j * phase)
    # in time the angle runs with the sense of the turning, so that backwards the conjugate is late
    seen = true * transfer.gain[10] * np.exp(-1j * way * transfer.late_rad[10])
    assert transfer.lines(lines((10, complex(seen)))).amplitudes[0] == pytest.approx(true)


@given(resonance_hz=st.floats(30.0, 500.0), corner_hz=st.floats(5.0, 500.0))
def test_resonance_and_filter_multiply(resonance_hz: float, corner_hz: float) -> None:
    known = {"resonance_hz": resonance_hz, "filter_hz": corner_hz, **STATED}
    both = transfer_of(BENCH.conditions(**known), 60.0, 200)
    one = transfer_of(BENCH.conditions(resonance_hz=resonance_hz), 60.0, 200)
    other = transfer_of(BENCH.conditions(filter_hz=corner_hz, **STATED), 60.0, 200)
    assert both.gain == pytest.approx(one.gain * other.gain)
    assert [doubt.name for doubt in both.doubts] == ["resonance", "filter"]


def test_the_doubt_of_a_corner_is_that_of_the_order_it_takes_from() -> None:
    # one pole: d|H|/|H| = -r²/(1 + r²) · -dfc/fc
    known = BENCH.conditions(filter_hz=20.0, **{**STATED, "filter_u_rel": 0.005})
    transfer = transfer_of(known, 60.0, 20)
    (doubt,) = transfer.doubts_of(lines((10, 0.01)))
    share = 0.25 / 1.25 * 0.005
    assert (doubt.name, doubt.source) == ("filter", STATED["filter_source"])
    assert doubt.pp_u_nm / (0.02 / transfer.gain[10]) == pytest.approx(share, rel=0.01)
    assert doubt.rms_u_nm / (0.01 / np.sqrt(2) / transfer.gain[10]) == pytest.approx(share, rel=0.01)


def test_a_known_corner_is_corrected_and_a_line_of_the_budget() -> None:
    plain, corrected = finish(), finish(filter_hz=40.0, **STATED)
    gain = 1 / np.sqrt(1 + (288 * 2 / 60 / 40.0) ** 2)
    for name in ("ripple_pp_nm", "cogging_pp_nm"):
        figure = corrected.figure(name)
        (line,) = [line for line in figure.budget if line.name == "filter"]
        assert (line.common, line.source) == (True, STATED["filter_source"])
        assert said(corrected, name).startswith(
            "At 2 rpm order 288 is at 24 % of the filter's corner of 40 Hz, for which the value is corrected."
        )
        assert figure.measurand.count("led back to the unit's end through filter, gross of the rig") == 1
    amplitudes = [{row[0]: row[1] for row in found.cogging_orders}[288] for found in (plain, corrected)]
    assert amplitudes[1] / amplitudes[0] == pytest.approx(1 / gain, rel=1e-6)


def test_orders_beyond_the_reach_of_the_correction_are_not_judged() -> None:
    found = finish(filter_hz=4.0, **STATED)
    for name in ("ripple_pp_nm", "cogging_pp_nm", "ripple_rms_nm"):
        assert found.figure(name).status == "not judged"
        assert (
            "At 2 rpm order 288 is at 240 % of the filter's corner of 4 Hz and damped too much to be corrected. "
            "Turn at 1.7 rpm or less."
        ) in found.figure(name).reasons
    assert FILTER_REACH * 4.0 < 288 * 2 / 60


def test_a_cogging_that_a_filter_took_away_altogether_is_not_judged_either() -> None:
    still = replace(BENCH, cogging={36: 0.01})
    cycle = cycles_of(record(still))[0]
    found = finish_cycle(cycle, still.conditions(filter_hz=4.0, **STATED), 0, 0, 0, 0)
    assert 288 not in {row[0] for row in found.cogging_orders}
    assert found.figure("cogging_pp_nm").status == "not judged"


def test_without_a_known_corner_the_orders_it_may_matter_to_are_named() -> None:
    slow = finish().figure("cogging_pp_nm")
    assert not any("filter" in reason for reason in slow.reasons)
    fast = replace(BENCH, rate_hz=1000, slow_rpm=4.0, hold_rpm=4.0)
    found = finish_cycle(cycles_of(record(fast))[0], fast.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert found.status == "ok"
    assert (
        "No filter corner of the torque channel is known: order 288 at up to 19.2 Hz reads 1 % low or more if it is 100 Hz, a "
        "tenth of the sampling rate, or lower."
    ) in found.reasons


@pytest.mark.parametrize("poles", [1, 2])
def test_a_corner_that_is_off_leaves_the_directions_apart_and_their_mean_too_small(poles: int) -> None:
    """Both directions are delayed by a corner 5 % higher and turned back by the stated one; then aligned as in a cycle."""
    known = BENCH.conditions(filter_hz=10.0, filter_poles=poles, **STATED)
    used = transfer_of(known, 60.0, 20)
    true = {4: 0.03, 10: 0.01, 18: 0.006j}
    higher = used.doubts[0].high
    orders = np.array(list(true), np.int64)
    delayed = np.array(list(true.values())) * higher.gain[orders]
    ways = []
    for way, turn in zip((1, -1), used.undelayed, strict=True):
        spectrum = np.zeros(21, np.complex128)
        spectrum[orders] = delayed * np.exp(-1j * way * higher.late_rad[orders])
        ways.append(spectrum * turn)
    quiet = np.full(21, 1e-12)
    lag = find_lag(ways[0], ways[1], quiet, quiet, frozenset(true))
    every = np.arange(21)
    turned = [ways[0] * np.exp(1j * every * lag.rad), ways[1] * np.exp(-1j * every * lag.rad)]
    mean, half = ((turned[0] + sign * turned[1])[orders] / 2 for sign in (1, -1))
    apart = used.apart_rad((turned[0] + turned[1]) / 2)[orders]
    # half of their difference, which is taken for friction over angle, is the sine of it
    seen = np.abs(half).max()
    assert seen > 0.001 * np.abs(delayed).max()
    assert np.abs(half) == pytest.approx(np.abs(delayed * np.sin(apart)), abs=0.15 * seen)
    lost = 1 - np.abs(mean) / np.abs(delayed)
    assert lost.max() > 1e-6
    assert lost == pytest.approx(1 - np.cos(apart), abs=0.25 * lost.max())


def test_a_delay_that_is_not_sure_is_in_the_line_of_the_mean_of_both_directions() -> None:
    still = Response(np.ones(21), np.zeros(21))
    late = np.zeros(21)
    late[18] = 0.4
    transfer = Transfer(still, (Doubt("filter", "made up", still, Response(np.ones(21), late)),))
    read = lines((4, 0.03), (18, 0.006j))
    lag = 0.4 * 18 * 0.006**2 / (4**2 * 0.03**2 + 18**2 * 0.006**2)  # what the alignment takes of it
    true = np.array([0.03 / np.cos(4 * lag), 0.006 / np.cos(0.4 - 18 * lag)])
    rms = [float(np.sqrt((each**2).sum() / 2)) for each in (true, np.array([0.03, 0.006]))]
    (doubt,) = transfer.doubts_of(read)
    assert doubt.rms_u_nm == pytest.approx((rms[0] - rms[1]) / 2, rel=1e-6)
    assert doubt.pp_u_nm > 0
    (one_way,) = replace(transfer, way=1).doubts_of(read)
    assert one_way.rms_u_nm == pytest.approx(0.0, abs=1e-15)  # a phase alone is in no size
    assert one_way.pp_u_nm > 0
