"""The host's real link against the C core, whatever the line, the host and the device go through.

What must hold is asserted as it happens, in core_line.py, order.py and harness_promises.c: delivered samples and
declared holes are the produced ones, in order, none altered; a request acts once; no lease is live beyond its end;
nothing moves without one; outputs expire; nothing is said while mute; nothing overtakes what is more urgent.
The motion lease is not a safety function; what it promises is tested all the same.
"""

import os

import pytest
from hypothesis import HealthCheck, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)
from tests.device.core_line import BLOCK, FATES, CoreLine
from tests.device.device import LATER, SAFE_INPUTS
from typing_extensions import override

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, DriveMode, Input, LeaseState, Output

# the long form walks through 200 bad nights besides
FEW = 12 if os.environ.get("NIGHTTURN_HARNESS") else 25
REQUEST_GAP_MS = (
    5  # so close that retries and late copies come behind more requests than the device keeps replies for
)
BAD_NIGHTS = 200
MS_SHORT = st.sampled_from([5, 10, 30, 100])


class HostAndCore(RuleBasedStateMachine):
    """Rules are what happens to a bench in a bad night."""

    @initialize(stream=st.sampled_from([wire.Stream.BRIDGE, wire.Stream.PATTERN]))
    def begin(self, stream: wire.Stream) -> None:
        self.line = CoreLine(stream)
        self.line.run(100)

    # time and line

    @rule(ms=st.sampled_from([5, 20, 100, 400]))
    def time_passes(self, ms: int) -> None:
        self.line.run(ms)

    @rule(
        back=st.lists(st.sampled_from(FATES), max_size=30),
        out=st.lists(st.sampled_from(FATES), max_size=6),
        ms=st.sampled_from([20, 100, 300]),
    )
    def the_line_is_bad(self, back: list[str], out: list[str], ms: int) -> None:
        self.line.to_host.fates = back
        self.line.to_device.fates = out
        self.line.run(ms)

    @rule(ms=st.sampled_from([5, 200, 900, 2500, 3500]))
    def the_cable_is_out(self, ms: int) -> None:
        if self.line.up:
            self.line.disconnect()
        self.line.run(ms)
        self.line.connect()
        self.line.run(20)

    @rule(budget=st.sampled_from([0, 20, 60, 120]), ms=st.sampled_from([100, 600, 1500]))
    def the_line_is_slow(self, budget: int, ms: int) -> None:
        self.line.bent = True
        self.line.budget = budget
        self.line.run(ms)
        self.line.budget = 1000

    # the host

    @rule(remembers=st.booleans())
    def the_host_restarts(self, remembers: bool) -> None:
        if self.line.up:
            self.line.disconnect()
        self.line.new_host(remembers=remembers)
        self.line.run(50)

    # the device

    @rule()
    def the_device_resets(self) -> None:
        self.line.reset_device()
        self.line.run(50)

    @precondition(lambda self: not self.line.device["lose"])
    @rule(count=st.sampled_from([1, 3, 25, 300]))
    def samples_are_missed(self, count: int) -> None:
        index = self.line.device["next_index"]
        self.line.lost_by_device.update(range(index, index + count))
        self.line.device["lose"] = count
        self.line.run(count + 5)

    @rule(
        word=st.sampled_from([SAFE_INPUTS, int(SAFE_INPUTS | Input.USER_1), 0, int(Input.GUARD_CLOSED)]),
        ms=MS_SHORT,
    )
    def an_input_changes(self, word: int, ms: int) -> None:
        self.line.device["inputs"] = word
        self.line.run(ms)

    # motion; the lease is not a safety function

    @rule(window=st.sampled_from([50, 300, 1000]), speed=st.sampled_from([0.0, 3.0, 7.0]))
    def the_host_gives_a_lease(self, window: int, speed: float) -> None:
        self.a_lease_is_given(window, speed)

    def a_lease_is_given(self, window: int, speed: float) -> None:
        if self.line.link.state.value == "running":
            lease = wire.Lease(self.line.seen_tick, speed, 20.0, window, 0)
            self.line.say([self.line.link.notice(lease)])
        self.line.run(5)

    @rule(
        mode=st.sampled_from([DriveMode.SPEED, DriveMode.SPEED, DriveMode.TRAVEL]),
        leased=st.booleans(),
        out=st.sampled_from(FATES),
        back=st.sampled_from(FATES),
    )
    def the_drive_is_told_to_turn(self, mode: DriveMode, leased: bool, out: str, back: str) -> None:
        if leased:
            self.a_lease_is_given(1000, 7.0)
        self.line.commands += 1
        setpoint = 0.001 * self.line.commands  # each command can be told from all others
        self.line.to_device.fates.insert(0, out)
        self.line.to_host.fates.insert(0, back)
        self.line.request(wire.Drive(100, LATER, self.line.commands, setpoint, 0.0, 1.0, Axis.DRIVE, mode, 0))
        self.line.run(REQUEST_GAP_MS)

    @rule()
    def the_drive_is_told_to_stop(self) -> None:
        seq = self.line.request(wire.Drive(0, 0, 0, 0.0, 0.0, 1.0, 2, DriveMode.OFF, 0))
        self.line.run(REQUEST_GAP_MS)
        reply = self.line.replies.get(seq) if seq is not None else None
        if isinstance(reply, wire.DriveReply):
            assert reply.accepted == 1

    @rule(output=st.sampled_from(list(Output)), expire_ms=st.sampled_from([20, 200, 1000]))
    def an_output_is_switched_on(self, output: Output, expire_ms: int) -> None:
        self.line.request(wire.Switch(expire_ms, output, 1))
        self.line.run(REQUEST_GAP_MS)
        self.line.assert_each_switch_happened_once()

    @rule()
    def latched_events_are_cleared(self) -> None:
        self.line.request(wire.Clear(max(self.line.told, default=0)))
        self.line.run(REQUEST_GAP_MS)

    @rule(first=st.integers(-5, 70), count=st.integers(0, 300))
    def the_host_asks_for_blocks_again_out_of_turn(self, first: int, count: int) -> None:
        if self.line.link.state.value == "running":
            seq = (self.line.device["oldest_seq"] + first) % (1 << 32)
            self.line.bent = True  # a GONE that nobody needed makes the link give up
            self.line.say([self.line.link.notice(wire.Resend(seq, count))])
        self.line.run(5)

    @rule()
    def everything_comes_to_rest(self) -> None:
        self.line.heal()
        self.line.assert_settled()

    @override
    def teardown(self) -> None:
        if hasattr(self, "line"):
            self.line.heal()
            self.line.assert_settled()
            self.line.device["inputs"] = SAFE_INPUTS
            self.line.run(1200)
            assert self.line.device["lease_state"] != LeaseState.LIVE
            assert self.line.device["driven"] == self.line.device["outputs"] == 0
            assert self.line.device["next_index"] - (self.line.wanted or 0) <= BLOCK


TestHostAndCore = HostAndCore.TestCase
TestHostAndCore.settings = settings(
    max_examples=FEW,
    stateful_step_count=30,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@pytest.mark.long
@pytest.mark.parametrize("night", range(BAD_NIGHTS))
def test_many_bad_nights(night: int) -> None:
    bounds = settings(
        max_examples=10,
        database=None,
        stateful_step_count=60,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
    )

    @seed(night)
    class BadNight(HostAndCore):
        pass

    run_state_machine_as_test(BadNight, settings=bounds)


def test_a_good_line_loses_and_repeats_nothing() -> None:
    line = CoreLine()
    line.run(5000)
    line.assert_settled()
    assert line.ends == {"block": line.blocks_in}
    assert line.device["resent"] == line.device["overwritten_unsent"] == line.device["strays"] == 0
    assert line.wanted is not None
    assert line.wanted >= 4990


def test_an_outage_within_the_ring_is_filled_from_it() -> None:
    line = CoreLine()
    line.run(1000)
    line.disconnect()
    line.run(400)
    line.connect()
    line.heal()
    line.assert_settled()
    assert line.missing == []
    assert line.device["resent"] > 30


def test_a_ring_that_goes_round_unsent_is_a_hole_that_the_device_accounts_for() -> None:
    line = CoreLine()
    line.run(1000)
    line.bent = True
    line.budget = 0
    line.run(900)  # longer than the ring, shorter than the silence after which a host begins anew
    line.budget = 1000
    line.heal()
    line.assert_settled()
    overwritten = line.device["overwritten_unsent"]
    assert overwritten > 20
    (hole,) = line.missing
    assert hole.cause == "overwritten"
    assert hole.index_to - hole.index_from == overwritten * BLOCK
