"""What must be said with a figure, and what follows from it: hum, resonance, sector, a zero that moved, the torque held."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, beside_the_rig, cycles_of, record

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.asynchronous import Line
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.draft import Draft
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.hum import clear_speed, hum_order, hum_orders
from nightturn.estimation.intervals import half_width
from nightturn.estimation.remarks import note_hum, peak_to_peak_of, rms_of
from nightturn.model.figures import CycleRecord
from nightturn.model.quantities import quantity

BENCH = Bench(rate_hz=1000)


def finish(cycle: CycleSums, bench: Bench = BENCH, **changes: Any) -> CycleRecord:
    return finish_cycle(cycle, bench.conditions(**changes), 0, 0, 0, 0)


def said(found: CycleRecord, name: str) -> str:
    return " ".join(found.figure(name).reasons)


# ---- hum ----------------------------------------------------------------------------------------------------------
ORDERS = np.array([16, 32, 36, 288, 500])


@pytest.mark.parametrize(
    ("rpm", "mains_hz", "turns", "met"),
    [
        (6.0, 50.0, 3, (50.0, 500)),  # 60 · 50 / 6
        (7.2, 60.0, 3, (60.0, 500)),
        (6.0, 60.0, 3, None),  # order 600 is not among them
        (12.0, 50.0, 3, (100.0, 500)),  # second harmonic; the first falls on order 250
        (6.003, 50.0, 3, (50.0, 500)),  # 499.75: a quarter of an order away, three turns cannot tell
        (6.003, 50.0, 5, None),
        (3.0, 50.0, 3, None),
        (0.0, 50.0, 3, None),
    ],
)
def test_hum_meets_an_order_that_the_turns_cannot_tell_from_it(
    rpm: float, mains_hz: float, turns: int, met: tuple[float, int] | None
) -> None:
    assert hum_order(ORDERS, rpm, turns, mains_hz) == met


@pytest.mark.parametrize("revolutions", [1, 2, 3, 5])
def test_hum_is_told_from_an_order_one_over_the_turns_away(revolutions: int) -> None:
    for offset, met in ((0.98, (50.0, 100)), (1.02, None)):
        speed = 3000 / (100 + offset / revolutions)
        assert hum_order(np.array([100]), speed, revolutions, 50.0) == met


@given(st.floats(0.5, 60.0), st.integers(1, 10), st.sampled_from([50.0, 60.0]))
def test_a_clear_speed_is_clear_in_the_digits_in_which_it_is_told(
    rpm: float, turns: int, mains_hz: float
) -> None:
    speed = clear_speed(ORDERS, rpm, turns, mains_hz)
    if speed is not None:
        assert float(f"{speed:.4g}") == speed
        assert hum_order(ORDERS, speed, turns, mains_hz) is None
        assert abs(speed / rpm - 1) < 0.201


def test_a_value_with_hum_is_not_judged_and_names_the_nearest_clear_speed() -> None:
    draft = Draft(0.1, 0.001, 10.0, 3)
    note_hum(draft, ORDERS, 6.0, 3, BENCH.conditions())
    (reason,) = draft.reasons
    assert reason == (
        "Mains hum of 50 Hz coincides with order 500 at 6 rpm, and the value may include it; nearest clear speed 5.994 rpm."
    )
    assert draft.status == "not judged"
    assert hum_order(ORDERS, 5.994, 3, 50.0) is None


def test_no_clear_speed_near_is_said_too() -> None:
    draft = Draft(0.1, 0.001, 10.0, 1)
    note_hum(draft, np.arange(1, 700), 6.0, 1, BENCH.conditions())
    assert "no clear speed is near." in draft.reasons[0]


def with_hum(bench: Bench, hum_hz: float, amplitude_nm: float) -> CycleSums:
    recording = record(bench)
    hum = amplitude_nm * np.sin(2 * np.pi * hum_hz * np.arange(len(recording.raw)) / bench.rate_hz)
    raw = (recording.raw + np.rint(hum / bench.lsb_nm)).astype(np.int32)
    return cycles_of(replace(recording, raw=raw))[0]


def test_a_value_with_hum_on_a_declared_order_is_not_judged_by_the_frequency_of_the_mains() -> None:
    at_50 = replace(BENCH, slow_rpm=3000 / 288, hold_rpm=3000 / 288, ramp_rad_per_s2=4.0)
    cycle = with_hum(at_50, 50.0, 0.01)
    for name in ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm"):
        assert "Mains hum of 50 Hz coincides with order 288" in said(finish(cycle, at_50), name)
        assert finish(cycle, at_50).figure(name).status == "not judged"
        assert "hum" not in said(finish(cycle, at_50, mains_hz=60.0), name)
    assert finish(cycle, at_50).figure("friction_nm").status == "ok"


def test_hum_on_an_order_that_no_machine_makes_is_left_out_of_the_value() -> None:
    # 10 mN·m at 50 Hz are order 500 at 6 rpm; taken for the unit's, they made the peak-to-peak up to a fifth larger
    found = finish(with_hum(BENCH, 50.0, 0.01))
    for name, true in (("ripple_pp_nm", BENCH.true_ripple_pp()), ("cogging_pp_nm", BENCH.true_cogging_pp())):
        figure = found.figure(name)
        assert (figure.status, beside_the_rig(figure.reasons)) == ("ok", ())
        assert figure.value == pytest.approx(true, rel=0.02)
    assert {row[0] for row in found.orders}.isdisjoint({499, 500, 501})
    other = finish(with_hum(BENCH, 60.0, 0.01))  # no mains of this rig: a line of the unit
    assert 600 in {row[0] for row in other.orders}


@given(
    rpm=st.floats(0.5, 60.0),
    mains_hz=st.sampled_from([50.0, 60.0]),
    highest=st.integers(10, 1638),
    declared=st.frozensets(st.integers(1, 1638)),
)
def test_the_orders_of_hum_are_within_one_of_it_and_never_declared(
    rpm: float, mains_hz: float, highest: int, declared: frozenset[int]
) -> None:
    found = hum_orders(rpm, mains_hz, declared, highest)
    assert declared.isdisjoint(found)
    for order in found:
        assert 0 < order <= highest
        assert min(abs(order - 60 * k * mains_hz / rpm) for k in (1, 2, 3, 5)) <= 1.0
    assert set(found) | declared == declared | set(hum_orders(rpm, mains_hz, (), highest))
    assert hum_orders(0.0, mains_hz, (), highest) == ()


# ---- resonance ------------------------------------------------------------------------------------------------------
def test_the_resonance_is_said_of_rms_and_cogging_as_of_peak_to_peak() -> None:
    cycle = cycles_of(record(replace(BENCH, cogging={36: 0.01, 288: 0.02}, ripple={})))[0]
    for resonance_hz, share, status in ((91.9, 31, "ok"), (50.0, 58, "not judged")):
        found = finish(cycle, resonance_hz=resonance_hz)
        for name in ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm"):
            assert f"order 288 is at {share} % of the rig's resonance" in said(found, name)
            assert found.figure(name).status == status


# ---- friction -------------------------------------------------------------------------------------------------------
def two_passes(bench: Bench) -> CycleRecord:
    cycle = cycles_of(record(bench))[0]
    cycle.legs = (cycle.legs[0], cycle.legs[1], cycle.legs[3])
    return finish(cycle, bench)


def test_a_zero_that_moved_between_two_passes_widens_friction_by_half_of_it() -> None:
    rate = 1e-3
    still, moving = two_passes(BENCH), two_passes(replace(BENCH, drift_nm_per_s=rate))
    cycle = cycles_of(record(BENCH))[0]
    first, second = ((leg.index_first + leg.index_last) / 2 for leg in cycle.legs[:2])
    moved = rate * (second - first) / BENCH.rate_hz
    friction = moving.figure("friction_nm")
    assert friction.status == "incomplete"
    assert friction.reasons[0].startswith(
        f"Zero moved by {quantity(moved, 'N·m', digits=2)} between directions; friction uncertain by "
    )
    assert friction.reasons[0].endswith("Add a third pass.")
    wide, before = half_width(friction), half_width(still.figure("friction_nm"))
    assert wide is not None
    assert before is not None
    assert friction.u is not None
    assert friction.u == pytest.approx(moved / 2, rel=0.05)
    assert wide > before
    assert "Two passes cannot separate a moving zero" in said(still, "friction_nm")


def test_half_a_turn_is_too_short_a_sector_for_friction() -> None:
    found = finish(cycles_of(record(replace(BENCH, slow_turns=0.5)))[0])
    friction = found.figure("friction_nm")
    assert (friction.value, friction.status) == (None, "incomplete")
    assert "Sector too short after the reversal; friction needs a whole turn each way." in friction.reasons
    assert "Sector" not in said(found, "cogging_pp_nm")


def test_passes_that_were_left_out_as_too_short_are_counted() -> None:
    bench = replace(BENCH, slow_turns=0.02, run_up_deg=8.0)
    (cycle,) = cycles_of(record(bench))
    assert cycle.short_passes == 3
    assert not cycle.complete
    friction = finish(cycle, bench).figure("friction_nm")
    assert friction.status == "incomplete"
    assert friction.reasons[0] == (
        "Sector too short after the reversal: 3 passes turned less than a sixteenth of a revolution."
    )


def test_a_cycle_with_long_passes_counts_no_short_ones() -> None:
    assert cycles_of(record(BENCH))[0].short_passes == 0


# ---- the torque held ------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("first", [1, -1])
@pytest.mark.parametrize("signs", [{}, {"sense": -1}, {"polarity": -1}, {"sense": -1, "polarity": -1}])
def test_friction_does_not_count_against_the_torque_of_a_condition(first: int, signs: dict[str, int]) -> None:
    # the transducer reads 0.8 or 1.2 N·m while the unit holds 1 N·m against 0.2 N·m of friction
    bench = replace(BENCH, hold_nm=1.0, friction_nm=0.2, first=first)
    conditions = {
        "sense": signs.get("sense", 1),
        "lsb_nm": bench.lsb_nm * signs.get("polarity", 1),
        "accept": (AcceptLimit("ripple_pp_nm", 1.0, at_torque_nm=1.0 * signs.get("polarity", 1)),),
    }
    found = finish(cycles_of(record(bench))[0], bench, **conditions)
    assert abs(abs(found.figure("mean_torque_nm").value or 0.0) - 1.0) > 0.15
    assert found.verdict == "accept", found.verdict_reasons
    other = {**conditions, "accept": (AcceptLimit("ripple_pp_nm", 1.0, at_torque_nm=0.8),)}
    assert finish(cycles_of(record(bench))[0], bench, **other).verdict == "not judged"


def test_a_mean_torque_without_slow_passes_has_the_zero_of_the_calibration_and_says_so() -> None:
    (cycle,) = cycles_of(record(BENCH))
    cycle.legs = cycle.legs[3:]
    mean = finish(cycle).figure("mean_torque_nm")
    assert mean.value == pytest.approx(BENCH.hold_nm - BENCH.friction_nm, abs=1e-3)
    assert mean.u is not None
    assert mean.reasons == ("The zero of the calibration was used; no slow passes to check it.",)


def test_one_turn_in_all_leaves_a_mean_torque_without_u() -> None:
    (cycle,) = cycles_of(record(replace(BENCH, hold_turns=1.0)))
    cycle.legs = cycle.legs[3:]
    mean = finish(cycle).figure("mean_torque_nm")
    assert mean.value is not None
    assert mean.u is None
    assert "U needs at least two turns a pass" in mean.reasons


@given(
    line_nm=st.floats(1e-6, 0.05),
    rotor_nm=st.floats(1e-6, 0.05),
    rest_nm=st.floats(0.0, 0.05),
    phase=st.floats(-3.2, 3.2),
)
def test_a_line_moves_an_rms_by_no_more_than_is_said(
    line_nm: float, rotor_nm: float, rest_nm: float, phase: float
) -> None:
    """`rest_nm` is the rms of the other orders."""
    line = Line(12.05, 12, line_nm, 2, np.zeros(0, np.int64), np.zeros(0), settled=False)
    orders, amplitudes = np.array([3, 12]), np.array([0.1, 1j * rotor_nm])
    rms = float(np.hypot(rest_nm, rotor_nm / np.sqrt(2)))
    moved = float(np.hypot(rest_nm, abs(rotor_nm + line_nm * np.exp(1j * phase)) / np.sqrt(2)))
    said_nm = rms_of(line, rms, orders, amplitudes)
    assert moved - rms <= said_nm * (1 + 1e-9) + 1e-15
    same = float(np.hypot(rest_nm, (rotor_nm + line_nm) / np.sqrt(2)))
    assert said_nm == pytest.approx(same - rms, rel=1e-6, abs=1e-15)
    assert said_nm < peak_to_peak_of(line) / 2
