"""One turn a pass: friction takes the scatter of complete cycles before it where that is wider; nothing else does."""

from dataclasses import replace
from typing import cast

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom
from tests.estimation.synthetic import Bench, cycles_of, record

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.friction import PREVIOUS_MIN, scatter_between_cycles
from nightturn.estimation.history import CYCLES_KEPT, History
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import CycleRecord

BENCH = Bench(
    rate_hz=250, pole_pairs=7, slots=12, cogging={12: 0.01, 84: 0.02}, ripple={7: 0.006}, slow_turns=1.0
)
CYCLES = 16


SCATTER_NM = 0.002


@pytest.fixture(scope="module")
def sums() -> list[CycleSums]:
    """Cycles whose friction differs by more than the noise within one of them."""
    rng = np.random.default_rng(4)
    found = []
    for number in range(CYCLES):
        friction = BENCH.friction_nm + SCATTER_NM * rng.standard_normal()
        found += cycles_of(record(replace(BENCH, friction_nm=friction, first=(-1) ** number), number))
    assert len(found) == CYCLES
    assert all(cycle.complete for cycle in found)
    return found


def finished(sums: list[CycleSums], history: History | None = None, **changes: str) -> list[CycleRecord]:
    history = History() if history is None else history
    conditions = BENCH.conditions(**changes)
    return [history.finish(cycle, conditions, 0, 0, 0, 0) for cycle in sums]


def test_friction_has_u_from_the_cycles_before_from_the_sixth_of_a_direction_on(
    sums: list[CycleSums],
) -> None:
    records = finished(sums)
    assert [r.direction for r in records[:4]] == [1, -1, 1, -1]
    for number, found in enumerate(records):
        friction = found.figure("friction_nm")
        before = number // 2
        assert friction.status == "ok"
        if before < PREVIOUS_MIN:
            assert friction.u is not None
            assert friction.u < SCATTER_NM / 4
            assert friction.reasons == ()
        else:
            assert friction.u is not None
            assert friction.nu_rep == pytest.approx(2 * (before - 1) ** 2 / (3 * before - 4))
            assert friction.reasons == (f"U from the scatter of {before} previous cycles.",)
            percent = found.figure("friction_pct_rated")
            assert percent.u == pytest.approx(friction.u * 100 / 15)


def test_u_is_the_scatter_of_the_same_direction(sums: list[CycleSums]) -> None:
    records = finished(sums)
    last = records[-1]
    values = [
        cast("float", r.figure("friction_nm").value) for r in records[:-1] if r.direction == last.direction
    ]
    steps = np.diff(values)
    assert last.figure("friction_nm").u_rep == pytest.approx(np.sqrt((steps @ steps) / (2 * len(steps))))
    assert last.figure("friction_nm").u_rep == pytest.approx(np.std(values), rel=1.0)


def test_zero_and_mean_torque_borrow_nothing(sums: list[CycleSums]) -> None:
    last = finished(sums)[-1]
    alone = finish_cycle(sums[-1], BENCH.conditions(), 0, 0, 0, 0)
    for name in ("zero_nm", "mean_torque_nm"):
        assert last.figure(name) == alone.figure(name)
    assert last.figure("friction_nm") != alone.figure("friction_nm")


def test_cycles_that_are_alike_leave_a_cycle_its_own_u() -> None:
    records = finished(cycles_of(record(BENCH, 4, CYCLES)))
    last = records[-1].figure("friction_nm")
    assert last.u is not None
    assert last.u < SCATTER_NM / 4


def test_a_hold_of_one_turn_has_no_u_however_many_cycles_went_before() -> None:
    records = finished(cycles_of(record(replace(BENCH, hold_turns=1.0), 4, CYCLES)))
    assert records[-1].figure("friction_nm").u is not None
    assert records[-1].figure("ripple_pp_nm").u is None


def test_a_cycle_with_scatter_of_its_own_keeps_it() -> None:
    cycle = cycles_of(record(replace(BENCH, slow_turns=2.0)))[0]
    conditions = BENCH.conditions()
    plain = finish_cycle(cycle, conditions, 0, 0, 0, 0)
    assert finish_cycle(cycle, conditions, 0, 0, 0, 0, previous_friction_nm=(0.1, 0.2) * 5) == plain


@pytest.mark.parametrize("change", [{"config_digest": "another"}, {"calibration_id": "another"}])
def test_other_conditions_begin_anew(sums: list[CycleSums], change: dict[str, str]) -> None:
    history = History()
    finished(sums[:12], history)
    first = finished(sums[12:], history, **change)
    assert all(found.figure("friction_nm").reasons == () for found in first)
    assert sum(len(values) for values in history.friction_nm.values()) == len(first)


def test_incomplete_cycles_are_not_remembered(sums: list[CycleSums]) -> None:
    history = History()
    broken = [msgspec.structs.replace(cycle, complete=False) for cycle in sums]
    assert all(found.figure("friction_nm").reasons == () for found in finished(broken, history))
    assert history.friction_nm == {}


def test_the_memory_is_bounded(sums: list[CycleSums]) -> None:
    history = History()
    for _ in range(4):
        finished(sums, history)
    assert {way: len(values) for way, values in history.friction_nm.items()} == {
        1: CYCLES_KEPT,
        -1: CYCLES_KEPT,
    }


@settings(max_examples=5)
@given(split=st.integers(0, CYCLES))
def test_a_snapshot_between_any_two_cycles_changes_nothing(sums: list[CycleSums], split: int) -> None:
    whole = finished(sums)
    history = History()
    first = finished(sums[:split], history)
    again = msgspec.msgpack.decode(msgspec.msgpack.encode(history), type=History)
    assert again == history
    assert first + finished(sums[split:], again) == whole


def test_fewer_than_five_cycles_have_no_scatter() -> None:
    assert scatter_between_cycles([0.1] * (PREVIOUS_MIN - 1)) is None
    assert scatter_between_cycles([0.1] * PREVIOUS_MIN) is not None


def test_a_slow_drift_does_not_count_as_scatter() -> None:
    # 20 mN·m of warming over the cycles remembered, 0.1 mN·m of scatter: deviations from the mean would say 6 mN·m
    rng = np.random.default_rng(1)
    warming = 0.02 * np.exp(-np.arange(CYCLES_KEPT) / 20)
    found = scatter_between_cycles(list(0.1 + warming + 1e-4 * rng.standard_normal(CYCLES_KEPT)))
    assert found is not None
    assert found[0] < 6e-4
    assert np.std(warming) > 3e-3


@pytest.mark.parametrize("before", [PREVIOUS_MIN, 8, CYCLES_KEPT])
def test_the_interval_covers_as_often_as_it_says(before: int) -> None:
    # degrees of freedom of the mean square successive difference: J. von Neumann et al. 1941
    seeds = 4000
    rng = np.random.default_rng(before)
    hits = 0
    for _ in range(seeds):
        values = rng.standard_normal(before + 1)
        found = scatter_between_cycles(values[:-1].tolist())
        assert found is not None
        hits += abs(values[-1]) <= coverage_factor(found[1]) * found[0]
    assert binom.ppf(0.0005, seeds, 0.95) <= hits <= binom.ppf(0.9995, seeds, 0.95), hits / seeds
