"""Turning a declared sense changes declared signs and nothing else."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import cycles_of, record
from tests.estimation.test_figures import BENCH, figures, finish, value

from nightturn.model.figures import CycleRecord


def tried(name: str) -> bool:
    """A peak-to-peak is an expectation over trials on a grid of angles: mirrored, it is the same within a fifth of its u."""
    return "_pp_" in name or name == "ripple_pct_rated"


def signless(found: CycleRecord) -> dict[str, Any]:
    """Everything of a record but its declared signs; friction that drives the shaft says so, and nothing else changes."""
    rest = [(f, tuple(r for r in f.reasons if not r.startswith("Friction would be "))) for f in found.figures]
    return {
        f.name: (
            pytest.approx(abs(f.value or 0.0), rel=1e-9, abs=0.2 * (f.u or 0.0) if tried(f.name) else None),
            f.status if said == f.reasons else "ok",
            f.n,
            said,
        )
        for f, said in rest
    }


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), first=st.sampled_from([1, -1]), lag=st.floats(0, 0.004))
def test_a_turned_sense_changes_declared_signs_and_nothing_else(seed: int, first: int, lag: float) -> None:
    bench = replace(BENCH, rate_hz=500, first=first, lag_s=lag)
    cycle = cycles_of(record(bench, seed))[0]
    plain, turned = finish(cycle, bench), finish(cycle, bench, sense=-1)
    assert turned.direction == -plain.direction
    assert signless(turned) == signless(plain)
    assert (plain.figure("friction_nm").status, turned.figure("friction_nm").status) == ("ok", "not judged")
    ours, theirs = np.array(plain.orders), np.array(turned.orders)
    assert theirs[:, 0].tolist() == ours[:, 0].tolist()
    assert theirs[:, 1] == pytest.approx(ours[:, 1], abs=1e-9)
    assert theirs[:, 2] == pytest.approx(-ours[:, 2], abs=1e-6)
    assert turned.sums_sha256 == plain.sums_sha256


def test_a_turned_polarity_changes_the_sign_of_torques_only() -> None:
    cycle = cycles_of(record(replace(BENCH, rate_hz=500)))[0]
    plain, turned = finish(cycle, BENCH), finish(cycle, BENCH, lsb_nm=-BENCH.lsb_nm)
    assert signless(turned) == signless(plain)
    for name in ("zero_nm", "mean_torque_nm"):
        assert value(turned, name) == pytest.approx(-value(plain, name))


def test_an_encoder_that_counts_the_other_way_gives_the_same_figures() -> None:
    # Five samples a bin: with two or three, uneven bins leave 2e-4 of a noiseless cogging, and not the same in both senses.
    plain = replace(BENCH, noise_nm=0.0, rate_hz=2000)
    turned = replace(plain, sense=-1)
    one, other = figures(plain), figures(turned)
    assert one.direction == other.direction == 1
    for name in ("ripple_pp_nm", "cogging_pp_nm", "friction_nm", "zero_nm"):
        assert value(other, name) == pytest.approx(value(one, name), rel=1e-4, abs=1e-5)
