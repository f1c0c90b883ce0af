"""Figures are net of the rig by its record, with the record's own uncertainty, and say so; else they are gross, and say that."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, cycles_of, peak_to_peak, phase, record

from nightturn.estimation.budget import Warmth
from nightturn.estimation.draft import Draft
from nightturn.estimation.extremes import Lines
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.rig_net import net_friction, rig_orders
from nightturn.estimation.transfer import Response, Transfer
from nightturn.estimation.waveform import rebuild
from nightturn.model.figures import CycleRecord
from nightturn.model.rig_record import RigOrder, RigRecord

OWN = {32: 0.006, 36: 0.010, 288: 0.020}
RIG = {1: 0.005, 8: 0.003, 36: 0.004}
GROSS = Bench(
    noise_nm=0.001,
    lag_s=0.002,
    cogging={1: 0.005, 8: 0.003, 32: 0.006, 36: 0.014, 288: 0.020},
)
CYCLE = cycles_of(record(GROSS))[0]
U_NM = 1e-4


def rig_record(**changes: Any) -> RigRecord:
    """What makes the difference between `GROSS` and `OWN`; on these benches order 36 of rig and unit have one phase."""
    orders = tuple(RigOrder(n, a, phase(n), U_NM) for n, a in RIG.items())
    made = RigRecord(
        id="R-3",
        fixture="pan-a1",
        how="arbor run",
        transducer="TR-204",
        reference="absolute",
        speed_rpm=6.0,
        orders=orders,
        friction_nm=0.020,
        u_friction_nm=0.001,
        temp_degc=23.0,
        valid_from=datetime(2026, 1, 12, tzinfo=UTC),
    )
    return msgspec.structs.replace(made, **changes)


def finish(**changes: Any) -> CycleRecord:
    return finish_cycle(CYCLE, GROSS.conditions(**changes), 0, 0, 0, 0)


def value(found: CycleRecord, name: str) -> float:
    got = found.figure(name).value
    assert got is not None
    return got


def test_a_cogging_is_net_by_size_and_phase_and_its_uncertainty_is_the_records_too() -> None:
    gross, net = finish(), finish(rig=rig_record())
    assert value(gross, "cogging_pp_nm") == pytest.approx(GROSS.true_cogging_pp(), rel=0.005)
    assert value(net, "cogging_pp_nm") == pytest.approx(peak_to_peak(OWN), rel=0.005)
    table = {row[0]: row[1] for row in net.cogging_orders}
    assert table[36] == pytest.approx(0.010, rel=0.01)
    assert table[1] < 2e-4  # wanted though nothing of it is left
    (line,) = [line for line in net.figure("cogging_pp_nm").budget if line.name == "rig record"]
    assert (line.common, line.source) == (True, "rig record R-3, arbor run")
    # each component of three orders moves a peak by its u at most, and the two extremes both
    assert U_NM < line.u < 2 * np.sqrt(3) * U_NM
    assert line.u < (net.figure("cogging_pp_nm").u or 0.0)
    assert "net of the rig by rig record R-3, arbor run" in net.figure("cogging_pp_nm").measurand
    assert "gross" not in net.figure("cogging_pp_nm").measurand


def test_a_ripple_is_net_at_the_angle_at_which_the_hold_reads_the_rig_late() -> None:
    true = {**OWN}
    for order, amplitude in GROSS.ripple.items():
        true[order] = true.get(order, 0.0) + amplitude
    net = finish(rig=rig_record())
    assert value(net, "ripple_pp_nm") == pytest.approx(peak_to_peak(true), rel=0.005)
    assert value(net, "ripple_rms_nm") == pytest.approx(
        np.sqrt(sum(a * a for a in true.values()) / 2), rel=0.005
    )
    assert "net of the rig" in net.figure("ripple_pct_rated").measurand


def test_friction_is_net_and_knows_that_of_the_rig_only_as_well_as_the_record_and_its_temperature() -> None:
    gross, net = finish(), finish(rig=rig_record())
    assert value(gross, "friction_nm") - value(net, "friction_nm") == pytest.approx(0.020)
    (line,) = [line for line in net.figure("friction_nm").budget if line.name == "rig record"]
    # nobody measured a temperature: ten kelvin either way, 0.8 % of it each
    assert line.u == pytest.approx(np.hypot(0.001, 0.020 * 0.008 * 10 / np.sqrt(3)))
    assert "net of the rig by rig record R-3, arbor run" in net.figure("friction_nm").measurand
    assert "gross of the rig" in gross.figure("friction_nm").measurand
    assert "gross of the rig" in finish(rig=rig_record(friction_nm=None)).figure("friction_nm").measurand


@pytest.mark.parametrize(("degc", "away_k"), [(23.0, 0.0), (33.0, 10.0), (None, 10 / np.sqrt(3))])
def test_a_temperature_like_the_records_costs_nothing(degc: float | None, away_k: float) -> None:
    draft = Draft(0.110, 0.001, 5.0)
    assert net_friction(draft, GROSS.conditions(rig=rig_record()), 6.0, Warmth(degc=degc))
    assert draft.lines[0].u == pytest.approx(np.hypot(0.001, 0.020 * 0.008 * away_k))


def test_a_rig_with_more_friction_than_was_measured_does_not_hold_any_more() -> None:
    figure = finish(rig=rig_record(friction_nm=0.2, u_friction_nm=0.001)).figure("friction_nm")
    assert figure.status == "not judged"
    assert (
        "The friction of 110 mN·m that was measured is less than the 200 mN·m of the rig alone by rig record R-3, which "
        "does not hold any more. Measure the rig again."
    ) in figure.reasons


def test_a_record_of_another_speed_is_not_used_and_said() -> None:
    found = finish(rig=rig_record(speed_rpm=3.0))
    for name in ("cogging_pp_nm", "ripple_pp_nm"):
        figure = found.figure(name)
        assert figure.value == finish().figure(name).value
        assert (
            "Rig record R-3 was made at 3 rpm and says nothing at 6 rpm. The value is gross of the rig."
            in (figure.reasons)
        )
        assert "gross of the rig" in figure.measurand
    assert value(found, "friction_nm") == value(finish(), "friction_nm")
    assert "gross of the rig" in found.figure("friction_nm").measurand


def test_why_a_record_cannot_be_used_stands_beside_what_is_gross_for_it() -> None:
    unfit = "Rig record R-3 is of fixture pan-b1."
    found = finish(rig_unfit=unfit)
    for name in ("cogging_pp_nm", "ripple_pp_nm", "friction_nm"):
        assert any(reason.startswith(unfit) for reason in found.figure(name).reasons), name


def test_a_hold_alone_is_gross_because_nothing_says_how_late_it_reads() -> None:
    alone = msgspec.structs.replace(CYCLE, legs=tuple(leg for leg in CYCLE.legs if leg.kind == "hold"))
    found = finish_cycle(alone, GROSS.conditions(rig=rig_record()), 0, 0, 0, 0)
    figure = found.figure("ripple_pp_nm")
    assert (
        "Rig record R-3 was not subtracted: without slow passes that could be aligned nobody knows how late the hold is read. "
        "The value is gross of the rig."
    ) in figure.reasons
    assert figure.status == "not judged"  # the other cycles of its run are net
    assert "gross of the rig" in figure.measurand


def test_a_cycle_before_the_encoder_has_seen_its_index_is_net_in_friction_only() -> None:
    found = finish(rig=rig_record(reference="index"), rig_tied=False)
    for name in ("cogging_pp_nm", "ripple_pp_nm", "ripple_rms_nm"):
        figure = found.figure(name)
        assert figure.value == finish().figure(name).value
        assert figure.status == "not judged"
        assert (
            "Rig record R-3 was not subtracted: the encoder's index was not seen before this cycle. The value is gross of the rig."
        ) in figure.reasons
    assert value(found, "friction_nm") == value(finish(rig=rig_record()), "friction_nm")
    assert found.figure("friction_nm").status == "ok"


def test_a_gross_value_says_how_much_of_it_may_be_the_rigs() -> None:
    (sentence,) = [r for r in finish().figure("cogging_pp_nm").reasons if r.startswith("Gross of the rig: ")]
    assert sentence.startswith("Gross of the rig: ")
    assert "mN·m with orders 1, 8, which drive, bearings or shaft of the rig may make, " in sentence
    whole, own = (float(sentence.split(part)[0].split()[-1]) for part in (" mN·m with", " mN·m without."))
    assert whole == pytest.approx(1e3 * GROSS.true_cogging_pp(), rel=0.01)
    without = {n: a for n, a in GROSS.cogging.items() if n not in (1, 8)}
    assert own == pytest.approx(1e3 * peak_to_peak(without), rel=0.01)


def test_a_value_that_the_rig_has_no_part_in_says_nothing_of_it() -> None:
    own = replace(GROSS, cogging=OWN)
    figure = finish_cycle(cycles_of(record(own))[0], own.conditions(), 0, 0, 0, 0).figure("cogging_pp_nm")
    assert not [reason for reason in figure.reasons if "Gross" in reason]


@settings(max_examples=40)
@given(
    sizes=st.lists(st.floats(1e-4, 0.1), min_size=3, max_size=3),
    phases=st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
    turned=st.floats(-3.0, 3.0),
    late_rad=st.floats(-0.05, 0.05),
)
def test_subtraction_takes_off_exactly_what_the_rig_adds_however_the_angle_is_counted(
    sizes: list[float], phases: list[float], turned: float, late_rad: float
) -> None:
    orders = np.array([1, 8, 36], np.int64)
    known = tuple(
        RigOrder(int(n), a, p + int(n) * turned, U_NM) for n, a, p in zip(orders, sizes, phases, strict=True)
    )
    conditions = GROSS.conditions(rig=rig_record(orders=known))
    rig = rig_orders(conditions, 6.0, 100, late_rad)
    assert rig is not None
    own = np.array([0.01, 0.02j, -0.003])
    added = np.array(sizes) * np.exp(1j * (np.array(phases) + orders * (turned - late_rad)))
    flat = Response(np.ones(101), np.zeros(101))
    net = Transfer(flat, rig=rig).lines(Lines(orders, own + added, np.full(3, 1e-12)))
    assert net.amplitudes == pytest.approx(own, abs=1e-12)


def test_a_record_with_orders_above_the_band_gives_those_within() -> None:
    rig = rig_orders(GROSS.conditions(rig=rig_record()), 6.0, 20)
    assert rig is not None
    assert rig.orders.tolist() == [1, 8]
    assert rig_orders(GROSS.conditions(rig=rig_record(orders=())), 6.0, 20) is None


def test_what_is_not_known_of_the_lag_is_in_the_rigs_line() -> None:
    """Against 400 draws of the lag, which know a scatter to 4 %; an order 36 turns by 36 times it."""
    u_rad = 0.01
    conditions = GROSS.conditions(rig=rig_record(orders=(RigOrder(36, 0.004, 0.3, 1e-9),)))
    flat = Response(np.ones(101), np.zeros(101))
    read = Lines(np.array([8, 36], np.int64), np.array([0.01, 0.02j]), np.full(2, 1e-12))

    def spans(late_rad: float) -> tuple[float, float]:
        net = Transfer(flat, rig=rig_orders(conditions, 6.0, 100, late_rad)).lines(read)
        wave = rebuild(net.orders, net.amplitudes)
        return float(np.ptp(wave)), float(wave.std())

    drawn = np.array([spans(late) for late in u_rad * np.random.default_rng(5).standard_normal(400)])
    (doubt,) = Transfer(flat, rig=rig_orders(conditions, 6.0, 100, 0.0, u_rad)).doubts_of(read)
    off = np.sqrt(((drawn - spans(0.0)) ** 2).mean(0))
    assert (doubt.pp_u_nm, doubt.rms_u_nm) == pytest.approx(off, rel=0.15)
    (alone,) = Transfer(flat, rig=rig_orders(conditions, 6.0, 100)).doubts_of(read)
    assert alone.pp_u_nm < 1e-3 * doubt.pp_u_nm


def test_a_hold_at_another_speed_knows_less_of_how_late_it_reads_the_rig() -> None:
    # order 288 of the rig; 2 ms are 0.07° at 6 rpm, 21° of this order, and a twelfth of that may be missing at 6.5 rpm
    record_of_rig = rig_record(orders=(RigOrder(288, 0.004, phase(288), 1e-9),))
    faster = replace(GROSS, hold_rpm=6.5)
    lines = []
    for bench in (GROSS, faster):
        (sums,) = cycles_of(record(bench))
        found = finish_cycle(sums, bench.conditions(rig=record_of_rig), 0, 0, 0, 0)
        lines += [line.u for line in found.figure("ripple_pp_nm").budget if line.name == "rig record"]
    same, other = lines
    assert other > 4 * same > 0
