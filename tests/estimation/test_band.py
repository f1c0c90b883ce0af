"""Which orders a figure contains, which declared ones it could not see, and that a value which misses one is not judged."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, beside_the_rig, cycles_of, record

from nightturn.estimation.band import (
    Band,
    band_of,
    bins_needed,
    missed,
    named_orders,
    orders_text,
    rate_needed_hz,
    speed_needed_rpm,
)
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import BINS
from nightturn.estimation.turns import MIN_SAMPLES_PER_BIN, bins_for, highest_order
from nightturn.model.figures import CycleRecord

UNIT = Bench(
    rate_hz=1000,
    pole_pairs=14,
    slots=24,
    noise_nm=0.002,
    slow_rpm=20.0,
    hold_rpm=20.0,
    ramp_rad_per_s2=8.0,
    run_up_deg=20.0,
    hold_turns=4.0,
    cogging={1: 0.002, 24: 0.004, 28: 0.004, 168: 0.020, 336: 0.006, 504: 0.0015},
    ripple={14: 0.005, 28: 0.004, 84: 0.008, 168: 0.003},
)
"""28 poles and 24 slots: cogging at order 168."""
PEAKS = ("cogging_pp_nm", "ripple_pp_nm", "ripple_pct_rated")


def figures(bench: Bench, **changes: Any) -> CycleRecord:
    return finish_cycle(cycles_of(record(bench))[0], bench.conditions(**changes), 0, 0, 0, 0)


def said(found: CycleRecord, name: str) -> str:
    return " ".join(found.figure(name).reasons)


def peaks_match(bench: Bench, rel: float) -> None:
    """Every peak-to-peak is judged and right."""
    found = figures(bench)
    for name, true in (("cogging_pp_nm", bench.true_cogging_pp()), ("ripple_pp_nm", bench.true_ripple_pp())):
        figure = found.figure(name)
        assert figure.status == "ok", figure.reasons
        assert figure.value == pytest.approx(true, rel=rel), name


# ---- what is seen -----------------------------------------------------------------------------------------------------
def test_twenty_rpm_at_a_kilohertz_shows_three_multiples_of_the_cogging() -> None:
    # 3000 samples a turn; four of them a bin left orders to 153, and the cogging read 79 % low with a ± of 6 %
    peaks_match(UNIT, 0.01)
    figure = figures(UNIT).figure("cogging_pp_nm")
    assert (figure.band, figure.unseen) == ((1, 819), ())


def test_an_encoder_of_2500_counts_shows_them_as_well() -> None:
    peaks_match(replace(UNIT, counts_per_rev=2500, rate_hz=2500, slow_rpm=3.0, hold_rpm=3.0), 0.005)


def test_a_cogging_order_above_a_thousand_is_seen() -> None:
    # 54 slots and 50 poles: order 1350, which a fixed ceiling of 700 orders lost (-83 %)
    bench = replace(
        UNIT,
        pole_pairs=25,
        slots=54,
        rate_hz=2500,
        slow_rpm=3.0,
        hold_rpm=3.0,
        cogging={50: 0.003, 54: 0.003, 1350: 0.02},
    )
    found = figures(bench)
    figure = found.figure("cogging_pp_nm")
    assert figure.value == pytest.approx(bench.true_cogging_pp(), rel=0.005)
    assert (figure.band, figure.unseen) == ((1, 1638), (2700, 4050))
    assert figure.status == "not judged"  # half of order 1350 may be at 2700, and nothing shows it
    assert beside_the_rig(figure.reasons) == (
        "Orders 2700, 4050 are not in the value: 4096 angle bins a turn resolve orders to 1638. No setting shows them.",
    )


@pytest.mark.parametrize(
    ("rate_hz", "rpm", "counts"), [(1000, 20.0, 1 << 20), (2500, 3.0, 2500), (700, 7.0, 1 << 20)]
)
def test_uneven_bins_leave_less_than_a_thousandth_at_little_noise(
    rate_hz: int, rpm: float, counts: int
) -> None:
    bench = replace(UNIT, noise_nm=2e-4, rate_hz=rate_hz, slow_rpm=rpm, hold_rpm=rpm, counts_per_rev=counts)
    found = figures(bench)
    for order, true in bench.cogging.items():
        seen = {row[0]: row[1] for row in found.cogging_orders}[order]
        assert seen == pytest.approx(true, rel=2e-3, abs=3e-5), order
    assert found.figure("cogging_pp_nm").value == pytest.approx(bench.true_cogging_pp(), rel=3e-3)


# ---- what is not ------------------------------------------------------------------------------------------------------
def test_a_cogging_order_that_the_sampling_loses_is_not_judged_and_says_what_would_show_it() -> None:
    fast = replace(UNIT, slow_rpm=60.0, hold_rpm=60.0, ramp_rad_per_s2=30.0, run_up_deg=60.0)
    found = figures(fast)
    for name in (*PEAKS, "ripple_rms_nm"):
        figure = found.figure(name)
        assert figure.status == "not judged"
        assert (figure.band, figure.unseen) == ((1, 204), (336, 504))
        assert (
            "Orders 336, 504 are not in the value: 1000 Hz at 60 rpm resolve orders to 204. Turn at 20.9 rpm or less, or "
            "sample at 2868 Hz or more."
        ) in figure.reasons
    for name in ("friction_nm", "zero_nm", "mean_torque_nm"):
        assert found.figure(name).band is None
    assert "1000 Hz" not in said(found, "friction_nm")


def test_an_order_that_the_encoder_loses_names_the_counts_that_would_show_it() -> None:
    coarse = replace(UNIT, rate_hz=2500, slow_rpm=3.0, hold_rpm=3.0, counts_per_rev=600)
    (reason,) = (each for each in figures(coarse).figure("cogging_pp_nm").reasons if "encoder" in each)
    assert reason == (
        "Orders 336, 504 are not in the value: an encoder of 600 counts a turn resolves orders to 204. Use one of 2048 counts "
        "or more."
    )


def test_unseen_multiples_that_are_small_by_how_the_seen_ones_fall_are_listed_only() -> None:
    # order 504 is beyond 409; 336 is a twentieth of 168, so 504 is taken for a twentieth of that
    small = {24: 0.004, 168: 0.020, 336: 0.001}
    bench = replace(UNIT, slow_rpm=30.0, hold_rpm=30.0, run_up_deg=60.0, cogging=small)
    figure = figures(bench).figure("cogging_pp_nm")
    assert (figure.status, beside_the_rig(figure.reasons), figure.unseen) == ("ok", (), (504,))
    strong = figures(replace(bench, cogging={24: 0.004, 168: 0.020, 336: 0.012})).figure("cogging_pp_nm")
    assert strong.status == "not judged"
    assert beside_the_rig(strong.reasons)[0].startswith("Order 504 is not in the value: ")


MACHINES = Bench().conditions(pole_pairs=14, slots=24, drive_pole_pairs=0, drive_slots=0)


@given(
    highest=st.integers(16, 600),
    a=st.floats(0, 1),
    b=st.floats(0, 1),
    c=st.floats(0, 1),
)
def test_an_unseen_fundamental_always_matters_and_a_wider_band_misses_no_more(
    highest: int, a: float, b: float, c: float
) -> None:
    def lost(top: int) -> tuple[int, ...]:
        unseen = tuple(order for order in named_orders(MACHINES) if order > top)
        seen = {n: size for n, size in ((28, 1.0), (168, a), (336, b), (504, c)) if n <= top}
        return missed(Band(1024, top, unseen), seen, MACHINES)

    for order in (14, 24, 28, 48, 84, 168):
        assert (order in lost(highest)) == (order > highest)
    assert set(lost(highest)) <= {n for n in named_orders(MACHINES) if n > highest}
    assert lost(504) == ()


@given(order=st.integers(1, 1638), rate_hz=st.floats(100, 1e5), counts=st.integers(4096, 1 << 22))
def test_the_speed_and_rate_that_are_advised_show_the_order(order: int, rate_hz: float, counts: int) -> None:
    rpm = speed_needed_rpm(order, rate_hz) * (1 - 1e-9)
    assert highest_order(bins_for(counts, rate_hz * 60 / rpm)) >= order
    assert rate_needed_hz(order, rpm) == pytest.approx(rate_hz)
    assert highest_order(bins_needed(order)) >= order
    assert bins_needed(order) <= BINS
    slower = band_of(MACHINES, MIN_SAMPLES_PER_BIN * bins_needed(order) / 2.01)
    assert slower.bins < bins_needed(order) or bins_needed(order) == 16


def test_orders_are_named_up_to_five() -> None:
    assert orders_text([7]) == "order 7"
    assert orders_text(np.arange(1, 6)) == "orders 1, 2, 3, 4, 5"
    assert orders_text(range(1, 9)) == "orders 1, 2, 3, 4, 5 and 3 more"


# ---- in words ---------------------------------------------------------------------------------------------------------
def test_every_figure_says_what_it_is_of() -> None:
    found = figures(UNIT)
    for figure in found.figures:
        assert figure.measurand == FIGURES[figure.name].measurand
        assert len(figure.measurand) > 20
        assert (figure.band is None) == (not FIGURES[figure.name].waveform)
    assert "as the transducer sees it, gross of the rig:" in found.figure("ripple_pp_nm").measurand
    assert "running friction at constant speed, gross of the rig:" in found.figure("friction_nm").measurand
