"""What must not change a figure, and what must change its ± in one way only."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, Recording, cycles_of, record

from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.folds import BINS
from nightturn.estimation.intervals import half_width
from nightturn.model.figures import OK, CycleRecord

BENCH = Bench(noise_nm=0.004)
RECORDING = record(BENCH, 3)
PATTERNS = ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm", "friction_nm")
EVERY = (*PATTERNS, "zero_nm", "mean_torque_nm")
NEAR = 1e-7
"""Relative: what adding up in another order may change."""


def changed(recording: Recording, **changes: object) -> Recording:
    """The recording with other samples."""
    return replace(recording, **changes)  # type: ignore[arg-type]  # the fields' own arrays


def cycle(recording: Recording, bench: Bench = BENCH, **conditions: float) -> CycleRecord:
    """The one cycle of a recording."""
    return finish_cycle(cycles_of(recording)[0], bench.conditions(**conditions), 0, 1, 2, 3)


ONE = cycle(RECORDING)


def value(found: CycleRecord, name: str) -> float:
    """The value of a figure that has one."""
    figure = found.figure(name)
    assert figure.status == OK, figure
    assert figure.value is not None
    return figure.value


def wide(found: CycleRecord, name: str) -> float:
    """± U of a figure that has one."""
    size = half_width(found.figure(name))
    assert size is not None
    return size


@settings(max_examples=8, deadline=None)
@given(st.integers(-20_000, 20_000))
def test_another_zero_moves_the_zero_and_nothing_else(counts: int) -> None:
    moved = cycle(changed(RECORDING, raw=RECORDING.raw + counts))
    for name in (*PATTERNS, "mean_torque_nm"):
        assert value(moved, name) == pytest.approx(value(ONE, name), rel=NEAR), name
        assert wide(moved, name) == pytest.approx(wide(ONE, name), rel=1e-4), name
    assert value(moved, "zero_nm") - value(ONE, "zero_nm") == pytest.approx(counts * BENCH.lsb_nm, abs=1e-9)


@settings(max_examples=8, deadline=None)
@given(st.integers(-BINS, BINS))
def test_another_origin_of_the_angle_by_whole_bins_changes_a_figure_by_no_tenth_of_its_uncertainty(
    bins: int,
) -> None:
    moved = cycle(changed(RECORDING, encoder=RECORDING.encoder + bins * (BENCH.counts_per_rev // BINS)))
    for name in EVERY:
        assert abs(value(moved, name) - value(ONE, name)) < 0.1 * wide(ONE, name), name


@settings(max_examples=4, deadline=None)
@given(st.integers(0, BENCH.counts_per_rev))
def test_any_other_origin_of_the_angle_stays_within_the_uncertainty(counts: int) -> None:
    moved = cycle(changed(RECORDING, encoder=RECORDING.encoder + counts))
    for name in EVERY:
        assert abs(value(moved, name) - value(ONE, name)) < wide(ONE, name), name


@pytest.mark.parametrize("factor", [0.25, 3.0])
def test_another_factor_scales_every_torque_and_its_uncertainty(factor: float) -> None:
    rated_nm = (
        BENCH.conditions().rated_torque_nm * factor
    )  # a torque far beyond the rated one would not be believed
    scaled = cycle(
        RECORDING,
        lsb_nm=BENCH.lsb_nm * factor,
        rated_torque_nm=rated_nm,
        hold_torque_nm=BENCH.hold_nm * factor,
    )
    for name in EVERY:
        assert value(scaled, name) == pytest.approx(factor * value(ONE, name), rel=NEAR), name
        assert wide(scaled, name) == pytest.approx(factor * wide(ONE, name), rel=NEAR), name


def test_more_noise_widens_every_interval_in_proportion() -> None:
    """Four times the noise; a scatter from five degrees of freedom is itself known to a third, so within a factor of three."""
    quiet, loud = (cycle(record(replace(BENCH, noise_nm=noise), 3)) for noise in (0.004, 0.016))
    for name in EVERY:
        assert 4 / 3 < wide(loud, name) / wide(quiet, name) < 12, name


def test_more_turns_narrow_every_interval() -> None:
    bench = replace(BENCH, slow_turns=8.0, hold_turns=12.0)
    longer = cycle(record(bench, 3), bench)
    for name in EVERY:
        assert wide(longer, name) < wide(ONE, name), name
        assert longer.figure(name).n > ONE.figure(name).n
