"""Friction from the work over a closed loop: exact where the half step is, right where what moved within a pass misleads it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.synthetic import Bench, Clean, Floats, clean, cycles_of
from tests.estimation.test_friction import BENCH, ONE_TURN, finish, moved

from nightturn.estimation.finish import measure
from nightturn.estimation.loop_energy import Loop, loop_energy
from nightturn.estimation.turns import Turns
from nightturn.model.figures import OK
from nightturn.model.verdicts import NOT_JUDGED

BINS = 256


def loop_of(source: Clean, seed: int = 1) -> Loop:
    (sums,) = cycles_of(source.recorded(seed))
    friction = measure(sums, source.bench.conditions()).friction
    assert friction is not None
    assert friction.loop is not None
    return friction.loop


def a_pass(way: int, first_bin: int, length: int, torque: Callable[[Floats], Floats]) -> Turns:
    """Bins of a pass with one sample each; `torque` is a function of the unwrapped angle in rad."""
    rows = -(-length // BINS)
    n = np.zeros((rows, BINS))
    travelled = (np.arange(BINS) - first_bin) * way % BINS
    passed = np.arange(rows)[:, None] * BINS + travelled
    n[passed < length] = 1.0
    angle = (first_bin + 0.5 + way * passed) * 2 * np.pi / BINS
    none = np.zeros_like(n)
    return Turns(
        direction=way,
        n=n,
        torque_nm=n * torque(angle),
        offset_rad=none,
        time_s=none,
        whole=n.mean(1) > 0.6,
        first_bin=first_bin,
    )


# The area of a friction loop between two angles is twice the travel times the friction, whatever conservative torque is in it.
@settings(max_examples=40, deadline=None)
@given(
    friction_nm=st.floats(-1.0, 1.0),
    stiffness=st.floats(-0.5, 0.5),
    start=st.integers(-2000, 2000),
    shift=st.integers(-40, 40),
    turns=st.integers(1, 4),
)
def test_torque_that_depends_on_the_place_alone_does_no_work_in_a_loop(
    friction_nm: float, stiffness: float, start: int, shift: int, turns: int
) -> None:
    def place(angle: Floats) -> Floats:
        return 0.03 * np.cos(7 * angle) + stiffness * np.sin(angle / 9.0)

    length = turns * BINS + 60
    forward = a_pass(1, start, length, lambda angle: place(angle) - friction_nm)
    backward = a_pass(-1, start + length + shift, length, lambda angle: place(angle) + friction_nm)
    found = loop_energy((forward, backward, forward))
    assert found is not None
    assert found.friction_nm == pytest.approx(friction_nm, abs=1e-9)
    assert found.apart_nm == pytest.approx(0.0, abs=1e-9)
    assert found.turns == turns


def test_passes_that_share_less_than_a_turn_close_no_loop() -> None:
    forward = a_pass(1, 0, BINS + 20, np.cos)
    assert loop_energy((forward, a_pass(-1, BINS // 2, BINS, np.cos))) is None
    assert loop_energy((forward, a_pass(-1, -2000, BINS, np.cos))) is None
    assert loop_energy((forward, forward)) is None


@pytest.mark.parametrize("turns", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("sense", [1, -1])
def test_it_agrees_with_the_half_step_where_nothing_moves(turns: float, sense: int) -> None:
    bench = replace(BENCH, slow_turns=turns, sense=sense, friction_orders={1: 0.02})
    found = finish(clean(bench)).figure("friction_nm")
    assert found.value == pytest.approx(loop_of(clean(bench)).friction_nm, rel=1e-3)
    assert found.status == OK


def test_a_drift_of_the_zero_parts_the_loops_and_leaves_their_mean() -> None:
    source = moved(BENCH, lambda share, _: 0.020 * share)
    loop = loop_of(source)
    assert loop.friction_nm == pytest.approx(BENCH.friction_nm, rel=2e-3)
    assert loop.apart_nm > 0.001
    assert finish(source).figure("friction_nm").reasons == ()


def bent_cable(_: Floats, turned: Floats) -> Floats:
    return np.asarray(0.05 * turned**2)


def test_a_cable_that_does_no_work_misleads_the_half_step_and_the_loop_says_so() -> None:
    # Passes of one turn cannot tell the bent cable from drift: the half step is 16 % high, with a ± of 0.2 %.
    bench = replace(ONE_TURN, run_up_deg=90.0)
    source = moved(bench, bent_cable)
    assert loop_of(source).friction_nm == pytest.approx(bench.friction_nm, rel=2e-3)
    found = finish(source).figure("friction_nm")
    assert found.value is not None
    assert abs(found.value / bench.friction_nm - 1) > 0.1
    assert found.status == NOT_JUDGED
    (said,) = found.reasons
    assert said == (
        "The work over a closed loop of both directions makes friction 110 mN·m, the half step 127.3 mN·m: something moved "
        "the torque within a pass."
    )
    percent = finish(source).figure("friction_pct_rated")
    assert percent.status == NOT_JUDGED


@pytest.mark.parametrize("bench", [BENCH, replace(BENCH, noise_nm=0.040)])
def test_noise_alone_never_takes_the_status(bench: Bench) -> None:
    assert all(finish(clean(bench), seed).figure("friction_nm").status == OK for seed in range(4))
