"""SWITCH on the C core: an output is on for as long as it is asked for again; PROTOCOL.md section 6."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import MS, SET_OUTPUT, Device

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import EventCode, Output, Reason


def ready(**board: float) -> Device:
    device = Device(**board)  # type: ignore[arg-type]  # numbers of the board
    device.open()
    device.run(2)
    device.drain()
    return device


def test_all_outputs_are_off_at_start() -> None:
    device = Device()
    device["calls"] = 0
    device.start()
    device._calls = 0
    assert [(call.which, call.on) for call in device.calls(SET_OUTPUT)] == [(output, 0) for output in Output]


@pytest.mark.parametrize("output", Output)
def test_an_output_falls_back_when_its_time_passes_without_a_repeat(output: Output) -> None:
    device = ready()
    assert device.ask(wire.Switch(200, output, 1)) == wire.Done(output, wire.Switch.KIND)
    device.poll(150 * MS)
    assert device["outputs"] == 1 << output
    device.ask(wire.Switch(200, output, 1))
    device.poll(200 * MS - 1)
    assert device["outputs"] == 1 << output
    device.poll(1)
    assert device["outputs"] == 0
    (event,) = device.events(EventCode.OUTPUT_EXPIRED)
    assert (event.tick, event.value_a, event.latched, event.severity) == (device.now, output, 0, 0)
    assert [call.on for call in device.calls(SET_OUTPUT)][-3:] == [1, 1, 0]


def test_an_output_that_is_switched_off_is_off_at_once_and_tells_nobody() -> None:
    device = ready()
    device.ask(wire.Switch(500, Output.LAMP, 1))
    assert isinstance(device.ask(wire.Switch(0xFFFF, Output.LAMP, 0)), wire.Done)
    assert device["outputs"] == 0
    device.poll(600 * MS)
    assert device.events(EventCode.OUTPUT_EXPIRED) == []


@pytest.mark.parametrize(
    ("message", "board", "reason"),
    [
        (wire.Switch(0, 0, 1), {}, Reason.OUT_OF_RANGE),
        (wire.Switch(1001, 0, 1), {}, Reason.OUT_OF_RANGE),
        (wire.Switch(1, 0, 1), {}, Reason.NONE),
        (wire.Switch(1000, 3, 1), {}, Reason.NONE),
        (wire.Switch(100, 4, 1), {}, Reason.OUT_OF_RANGE),
        (wire.Switch(100, 255, 0), {}, Reason.OUT_OF_RANGE),
        (wire.Switch(100, 0, 1), {"features": 5}, Reason.UNSUPPORTED),
        (wire.Switch(100, 1, 1), {"outputs": 0b1101}, Reason.UNSUPPORTED),
        (wire.Switch(100, 2, 1), {"outputs": 0b1101}, Reason.NONE),
    ],
)
def test_an_output_is_switched_or_refused_for_its_reason(
    message: wire.Switch, board: dict[str, float], reason: Reason
) -> None:
    device = ready(**board)
    answer = device.ask(message)
    if reason is Reason.NONE:
        assert answer == wire.Done(message.output, wire.Switch.KIND)
    else:
        assert answer == wire.Refused(0, reason, wire.Switch.KIND, 0)
        assert device["outputs"] == 0


@given(
    st.lists(
        st.tuples(st.sampled_from(list(Output)), st.booleans(), st.integers(1, 1000), st.integers(0, 700)),
        max_size=30,
    )
)
def test_every_output_follows_its_own_clock(script: list[tuple[Output, bool, int, int]]) -> None:
    device = ready()
    until = dict.fromkeys(Output, 0)
    for output, on, expire_ms, wait_ms in script:
        device.tell(wire.Switch(expire_ms, output, int(on)))
        until[output] = device.now + expire_ms * MS if on else 0
        device.poll(wait_ms * MS)
        device.drain()
        assert device["outputs"] == sum(1 << n for n, end in until.items() if end > device.now)


def test_the_step_of_the_shunt_is_no_overload() -> None:
    device = Device()
    device.open()
    device.sample(torque=100)
    device.ask(wire.Switch(500, wire.Output.SHUNT, 1))
    device.sample(torque=900_000)
    device.ask(wire.Switch(0, wire.Output.SHUNT, 0))
    device.sample(torque=-50)
    opened = device.open()
    assert (opened.torque_min, opened.torque_max) == (-50, 100)
