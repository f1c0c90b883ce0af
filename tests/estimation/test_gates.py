"""Every gate that refuses a figure, with its sentence; and that clean signals pass all of them."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, Clean, beside_the_rig, clean, cycles_of

from nightturn.estimation import order_fit
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.channel import cells_of, channel_findings, repeats_of_noise
from nightturn.estimation.draft import Draft
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.gates import inseparable, note_lag
from nightturn.estimation.least_squares import CONDITION_MAX, InseparableError
from nightturn.estimation.order_fit import OrdersInseparableError, collapse, fit_orders
from nightturn.estimation.turns import Turns, turns_of
from nightturn.model.figures import CycleRecord

BENCH = Bench(rate_hz=600, noise_nm=0.004)  # 6000 samples a turn, which show all three multiples of order 288
ALL = ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm", "friction_nm", "zero_nm", "mean_torque_nm")
SLOW = ("cogging_pp_nm", "friction_nm", "friction_pct_rated", "zero_nm")


SOURCES: dict[str, Clean] = {}


def source(bench: Bench = BENCH) -> Clean:
    """The samples of a bench before noise and converter, made once."""
    key = repr(replace(bench, noise_nm=0.0, lsb_nm=1.0))
    if key not in SOURCES:
        SOURCES[key] = clean(bench)
    return replace(SOURCES[key], bench=bench)


def cycle(bench: Bench = BENCH, seed: int = 0) -> CycleSums:
    return cycles_of(source(bench).recorded(seed))[0]


def finish(sums: CycleSums, bench: Bench = BENCH, **changes: Any) -> CycleRecord:
    return finish_cycle(sums, bench.conditions(**changes), 0, 0, 0, 0)


def of_torque(change: Any, seed: int = 0) -> CycleSums:
    """A cycle whose counts went through `change`."""
    recording = source().recorded(seed)
    return cycles_of(replace(recording, raw=change(recording.raw).astype(np.int32)))[0]


def said(found: CycleRecord, name: str) -> str:
    return " ".join(found.figure(name).reasons)


def statuses(found: CycleRecord, *names: str) -> set[str]:
    return {found.figure(name).status for name in names}


def without(sums: CycleSums, start: int, bins: int) -> CycleSums:
    """A cycle that never had a sample at some of the 4096 angle bins."""
    for leg in sums.legs:
        leg.sums[:, :, start : start + bins] = 0
    return sums


# ---- fits -----------------------------------------------------------------------------------------------------------
def test_neighbouring_orders_over_a_hole_are_inseparable_and_named() -> None:
    bins = 1024
    n = np.full((3, bins), 8.0)
    n[:, 100:200] = 0
    turns = Turns(1, n, np.zeros_like(n), np.zeros_like(n), np.zeros_like(n), np.ones(3, np.bool_))
    whole = replace(turns, n=np.full((3, bins), 8.0))
    orders = np.arange(10, 40)
    assert fit_orders([collapse(whole, whole.torque_nm)], orders).amplitudes == pytest.approx(np.zeros(30))
    with pytest.raises(OrdersInseparableError) as caught:
        fit_orders([collapse(turns, turns.torque_nm)], orders)
    assert set(caught.value.orders.tolist()) <= set(orders.tolist())
    assert len(caught.value.orders) > 2


def test_a_hole_in_the_angle_gives_a_sentence_and_no_number() -> None:
    # a quarter of the turn that nobody saw, and a pattern of the lowest orders: a fit of them has no solution
    bench = replace(BENCH, cogging=dict.fromkeys((1, 2, 3, 4), 0.02), ripple={}, noise_nm=0.0005)
    found = finish(without(cycle(bench), 1000, 1000), bench)
    for name in ALL:
        figure = found.figure(name)
        assert (figure.value, figure.status) == (None, "incomplete"), name
        assert figure.reasons[-1].startswith("Orders 1, 2, 3, 4"), name
        assert figure.reasons[-1].endswith(
            " cannot be separated: no samples over 87.9 degrees from 87.9°. Cover the whole turn in a pass."
        )
    assert found.verdict == "not judged"


def test_a_hole_in_a_pattern_of_many_orders_leaves_no_absurd_number() -> None:
    # 20 degrees of it that nobody saw gave a friction of 1e11 N·m with status ok
    many = dict.fromkeys(range(16, 170, 2), 0.002)
    bench = replace(BENCH, cogging=many, ripple={}, noise_nm=0.0005)
    found = finish(without(cycle(bench), 1000, 228), bench)
    for name, true in (
        ("friction_nm", bench.friction_nm),
        ("cogging_pp_nm", bench.true_cogging_pp()),
        ("ripple_pp_nm", bench.true_ripple_pp()),
    ):
        figure = found.figure(name)
        assert figure.value == pytest.approx(true, rel=0.01)
        assert figure.status != "ok"


def test_orders_over_a_hole_are_named_with_the_angles_that_are_missing() -> None:
    # 154 neighbouring orders of which 20 degrees were never seen: this gave a friction of 1e11 N·m with status ok
    leg = without(cycle(), 1000, 228).legs[0]
    turns = turns_of(leg, BENCH.conditions(), 4096, 0)
    with pytest.raises(OrdersInseparableError) as caught:
        fit_orders([collapse(turns, turns.torque_nm)], np.arange(16, 170))
    assert caught.value.condition > CONDITION_MAX
    reason = inseparable(caught.value, [leg], 1)
    assert reason.startswith("Orders ")
    assert reason.endswith(
        " more cannot be separated: no samples over 20.0 degrees from 87.9°. Cover the whole turn in a pass."
    )
    assert inseparable(InseparableError(np.inf, 2, 3, np.array([0])), [leg], 1) == (
        "Friction, zero and drift cannot be separated; turn forward, back and forward, a whole turn each."
    )


def test_a_fit_without_a_solution_leaves_its_phase_without_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_solution(*_: object) -> None:
        raise InseparableError(np.inf, 2, 3, np.array([0]))

    monkeypatch.setattr(order_fit, "solve_normal", no_solution)
    found = finish(cycle())
    for name in ALL:
        figure = found.figure(name)
        assert (figure.value, figure.status) == (None, "incomplete"), name
        assert " cannot be separated" in figure.reasons[-1]
    assert found.verdict == "not judged"


@settings(max_examples=15, deadline=None)
@given(start=st.integers(0, 4095), bins=st.integers(0, 600), seed=st.integers(0, 50))
def test_whatever_is_missing_no_figure_leaves_the_size_of_the_torque(
    start: int, bins: int, seed: int
) -> None:
    found = finish(without(cycle(seed=seed), start, bins))
    for name in ALL:
        figure = found.figure(name)
        assert figure.value is None or abs(figure.value) < 6.0, name
        if figure.status == "ok" and name in ("friction_nm", "mean_torque_nm"):
            true = {"friction_nm": 0.110, "mean_torque_nm": 4.890}[name]
            assert figure.value == pytest.approx(true, abs=6e-4), name


def test_a_mean_over_a_turn_with_a_hole_is_not_judged() -> None:
    found = finish(without(cycle(), 1000, 114))
    for name in ("friction_nm", "zero_nm", "mean_torque_nm"):
        assert found.figure(name).status == "not judged"
        assert found.figure(name).reasons == (
            "No samples over 10 degrees from 88°: the mean over a turn lacks them.",
        )
    mirrored = finish(without(cycle(), 1000, 114), sense=-1)
    assert "No samples over 10 degrees from 262°" in said(mirrored, "zero_nm")
    assert statuses(finish(without(cycle(), 1000, 40)), "friction_nm", "zero_nm", "mean_torque_nm") == {"ok"}


# ---- the torque channel -----------------------------------------------------------------------------------------------
def test_a_dead_channel_has_no_figures() -> None:
    found = finish(of_torque(lambda raw: np.full_like(raw, 1000)), hold_torque_nm=0.0)
    n = cycle().legs[0].n
    for name in SLOW:
        figure = found.figure(name)
        assert (figure.value, figure.u, figure.status) == (None, None, "refused")
    assert f"All {n} samples of a pass have one code: the torque channel is dead or stuck." in said(
        found, "friction_nm"
    )


def at_level(level_nm: float) -> Any:
    """What an amplifier does that ends at this torque above the zero."""
    top = BENCH.zero_count + round(level_nm / BENCH.lsb_nm)
    return lambda raw: np.minimum(raw, top)


def test_a_clipped_crest_is_seen_by_its_repeats() -> None:
    found = finish(of_torque(at_level(5.0 - 0.11 + 0.02)))
    for name in ("ripple_pp_nm", "ripple_rms_nm", "mean_torque_nm"):
        figure = found.figure(name)
        assert figure.status == "not judged"
        (reason,) = (each for each in figure.reasons if "extreme code" in each)
        assert reason.startswith("Torque is at one extreme code, 4.91 N·m, in ")
        assert reason.endswith(
            " in a row: more than noise explains, a crest is clipped. Lower the gain or the load."
        )
    assert statuses(found, *SLOW) == {"ok"}


@pytest.mark.parametrize("seed", range(20))
def test_every_clipped_crest_is_seen_whichever_way_up(seed: int) -> None:
    depth = 0.005 + 0.001 * (seed % 10)  # of about 60 mN·m from the middle to the crest
    top = BENCH.zero_count + round((5.0 - 0.11 + 0.06 - depth) / BENCH.lsb_nm)
    found = finish(of_torque(lambda raw: np.minimum(raw, top), seed))
    assert "a crest is clipped" in said(found, "ripple_pp_nm")
    mirrored = of_torque(lambda raw: 2 * BENCH.zero_count - np.minimum(raw, top), seed)
    assert "a crest is clipped" in said(finish(mirrored), "ripple_pp_nm")


@pytest.mark.parametrize("noise_nm", [0.0002, 0.004, 0.04])
def test_clean_signals_pass_every_gate_of_the_channel(noise_nm: float) -> None:
    bench = replace(BENCH, noise_nm=noise_nm)
    for seed in range(10):
        assert channel_findings(cycle(bench, seed).legs, bench.conditions()) == ()


def test_noise_may_repeat_its_extreme_as_often_as_its_tail_allows() -> None:
    # 1 - exp(-5/s) to the power k is 1e-7: k = 3.1 for noise of 1000 codes, 11.9 for 17, 188.4 for 2
    leg = cycle().legs[0]
    cells = cells_of(leg)
    for sigma, least in ((1000.0, 4), (17.0, 12), (2.0, 189)):
        flat = replace(
            cells,
            variance=np.full_like(cells.variance, sigma**2 + 1 / 12),
            slope=np.zeros_like(cells.slope),
        )
        assert repeats_of_noise(leg, flat) == least


def test_steps_coarser_than_the_noise_are_not_judged() -> None:
    bench = replace(BENCH, lsb_nm=0.010, noise_nm=0.001, zero_count=0)
    found = finish(cycle(bench), bench)
    assert statuses(found, *ALL) == {"not judged"}
    reason = next(each for each in found.figure("friction_nm").reasons if "too coarse" in each)
    assert reason.startswith("Torque varies by ")
    assert reason.endswith(
        " mN·m rms inside an angle bin, and one code is 10 mN·m: too coarse for its noise, so that means are wrong by up to "
        "half a code. Use a finer range or a higher gain."
    )
    fine = replace(bench, lsb_nm=0.002, noise_nm=0.004)
    assert "too coarse" not in said(finish(cycle(fine), fine), "friction_nm")


def test_a_signal_that_stands_still_where_others_are_noisy_is_not_judged() -> None:
    bench = replace(BENCH, rate_hz=4000, cogging={36: 0.002}, ripple={}, noise_nm=0.02)
    recording = source(bench).recorded(0)
    angle = recording.encoder / bench.counts_per_rev % 1.0
    moving = np.where((angle > 0.3) & (angle < 0.32), 0, np.arange(len(angle)))
    raw = recording.raw[np.maximum.accumulate(moving)]  # the last value before the spot is held over it
    found = finish(cycles_of(replace(recording, raw=raw))[0], bench)
    (reason,) = (each for each in found.figure("cogging_pp_nm").reasons if "does not move" in each)
    assert reason.startswith("The torque signal does not move in ")
    assert reason.endswith(
        " angle bins and is noisy in the others: clipped before its converter, or stuck for a while."
    )
    assert found.figure("cogging_pp_nm").status == "not judged"


def test_newton_metres_that_no_unit_can_have_are_refused() -> None:
    found = finish(cycle(), lsb_nm=BENCH.lsb_nm * 1000)
    assert statuses(found, *ALL) == {"refused"}
    assert {found.figure(name).value for name in ALL} == {None}
    assert found.figure("mean_torque_nm").reasons[0] == (
        "Mean torque is 4890 N·m, 326 times the rated torque of 15 N·m: no torque in N·m. Check unit, factor and zero of the "
        "torque channel."
    )
    swinging = finish(
        cycle(replace(BENCH, hold_nm=0.0, friction_nm=0.0)), rated_torque_nm=0.01, hold_torque_nm=0.0
    )
    (reason,) = (each for each in swinging.figure("cogging_pp_nm").reasons if "no torque in N·m" in each)
    assert reason.startswith("Torque over a turn, peak to peak, is ")
    assert reason.endswith(
        " times the rated torque of 10 mN·m: no torque in N·m. Check unit, factor and zero of the torque channel."
    )


def test_a_hold_that_reads_a_part_of_what_the_plan_holds_doubts_the_channel_in_every_phase() -> None:
    # volts of a transducer with 4 N·m/V, taken for newton metres
    found = finish(cycle(), lsb_nm=BENCH.lsb_nm / 4)
    for name in ALL:
        assert found.figure(name).status == "not judged"
        assert beside_the_rig(found.figure(name).reasons) == (
            (
                "The hold reads 1.223 N·m where the plan holds 5 N·m: check unit and factor of the torque channel, or whether the "
                "unit held."
            ),
        )
    assert statuses(finish(cycle(), hold_torque_nm=9.0), *ALL) == {"ok"}


# ---- signs and lag ----------------------------------------------------------------------------------------------------
def test_friction_that_drives_the_shaft_is_not_judged() -> None:
    found = finish(cycle(), lsb_nm=-BENCH.lsb_nm)
    for name in ("friction_nm", "friction_pct_rated"):
        assert found.figure(name).status == "not judged"
        (reason,) = found.figure(name).reasons
        assert reason == (
            "Friction would be \N{MINUS SIGN}110 mN·m and drive the shaft: torque and angle disagree about the direction. "
            "Check polarity of the bridge and sense of the encoder."
        )
    assert found.figure("friction_nm").value == pytest.approx(0.110, abs=1e-3)


def test_no_friction_at_all_is_not_taken_for_a_wrong_sign() -> None:
    free = replace(BENCH, friction_nm=0.0)
    signs = [finish(cycle(free, seed), free).figure("friction_nm").status for seed in range(10)]
    assert signs.count("ok") >= 8  # at 95 % one of twenty is outside on the negative side


def lagging(lag_rad: float, low_nm: float) -> Draft:
    """A cogging of order 288 and one of order 16 that was found late."""
    draft = Draft(0.05, 0.001, 20.0, 6)
    orders, amplitudes = np.array([16, 288]), np.array([low_nm, 0.02], np.complex128)
    note_lag(draft, lag_rad, orders, amplitudes, np.full(2, 1e-10), BENCH.conditions())
    return draft


def test_a_lag_beyond_a_period_of_the_cogging_needs_a_lower_order_that_settles_it() -> None:
    period = 2 * np.pi / 288
    assert lagging(0.9 * period, 0.0).reasons == ()
    alone = lagging(1.2 * period, 0.0)
    assert (alone.status, alone.reasons) == (
        "not judged",
        (
            (
                "Torque is 41.7 ms late, 1.2 periods of order 288, and no lower order decides which: the directions may be "
                "aligned wrongly. Turn slower."
            ),
        ),
    )
    settled = lagging(1.2 * period, 0.01)
    assert (settled.status, settled.reasons) == (
        "ok",
        ("Torque is 41.7 ms late, 1.2 periods of order 288; lower orders decide which.",),
    )
