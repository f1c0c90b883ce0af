"""The overload memory of the C core: nothing is forgotten that the host has not recorded; PROTOCOL.md section 7."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from tests.device.device import BOOT_ID, MS, SESSION, Device

from nightturn.virtual.overload import OverloadMemory
from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Output, Reason


def read(device: Device, seen_no: int = 0) -> wire.ExtremesReply:
    reply = device.ask(wire.Extremes(seen_no))
    assert isinstance(reply, wire.ExtremesReply), reply
    return reply


def reached(reply: wire.ExtremesReply) -> tuple[int, int]:
    return reply.torque_min, reply.torque_max


def test_what_happened_before_the_first_host_is_told_with_its_moments() -> None:
    device = Device()
    for torque in (5, -3000, 90_000, 12):
        device.sample(torque)
    device.poll(7 * MS)
    device.open()
    reply = read(device)
    assert reply == wire.ExtremesReply(
        tick=11 * MS,
        samples=4,
        since_tick=MS,
        min_tick=2 * MS,
        max_tick=3 * MS,
        torque_min=-3000,
        torque_max=90_000,
        memory_no=1,
    )


def test_a_device_without_samples_says_so() -> None:
    device = Device()
    device.open()
    assert read(device) == wire.ExtremesReply(0, 0, 0, 0, 0, 0, 0, 1)


def test_neither_an_open_nor_a_lost_reply_nor_a_host_that_dies_forgets_an_overload() -> None:
    device = Device()
    device.sample(90_000)
    for session in (5, 6, 7):
        device.open(session)
        device.tell(wire.Extremes(0))  # its answer never arrives
        device.sample(1)
        device.ask(wire.Close())
    device.open(8)
    assert reached(read(device)) == (1, 90_000)
    assert reached(read(device)) == (1, 90_000)


def test_only_the_reading_that_the_host_names_is_forgotten() -> None:
    device = Device()
    device.open()
    device.sample(90_000)
    first = read(device)
    device.sample(-7)
    device.sample(20)
    second = read(device, first.memory_no)
    assert reached(second) == (-7, 20)
    assert (second.samples, second.since_tick) == (2, 2 * MS)
    device.sample(300)
    third = read(device, first.memory_no)  # a late copy: that reading is not the newest any more
    assert reached(third) == (-7, 300)
    assert reached(read(device, 9999)) == (-7, 300)


def test_a_retry_is_the_same_reading_and_forgets_nothing_more() -> None:
    device = Device()
    device.open()
    device.sample(90_000)
    first = read(device)
    device.sample(5)
    answers = [device.ask(wire.Extremes(first.memory_no), seq=70) for _ in range(3)]
    assert answers[0] == answers[1] == answers[2]
    assert (answers[0].memory_no, reached(answers[0])) == (2, (5, 5))


def test_it_counts_on_in_a_session_that_is_taken_up_and_in_a_new_one() -> None:
    device = Device()
    device.open()
    assert read(device).memory_no == 1
    device.open(9, fresh=0, last_session=SESSION, last_boot_id=BOOT_ID, nonce=3)
    assert read(device).memory_no == 2
    device.open(10)
    assert read(device).memory_no == 3
    device.start()
    device.open(11)
    assert read(device).memory_no == 1, "it ends with the boot"


def test_after_the_last_number_comes_1_because_0_names_none() -> None:
    device = Device()
    device.open()
    device["memory_no"] = 0xFFFF_FFFE
    assert [read(device).memory_no for _ in range(3)] == [0xFFFF_FFFF, 1, 2]


def test_the_step_of_the_shunt_is_no_load() -> None:
    device = Device()
    device.open()
    device.sample(3)
    device.tell(wire.Switch(1000, Output.SHUNT, 1))
    device.sample(4_000_000)
    device.tell(wire.Switch(0, Output.SHUNT, 0))
    device.sample(4)
    assert reached(read(device)) == (3, 4)


def test_a_sample_whose_tick_is_wrong_is_remembered_all_the_same() -> None:
    device = Device()
    device.open()
    device.sample(after=10_000 * MS)
    device.now = MS
    device.sample(90_000)
    assert device["misplaced"] == 1
    assert reached(read(device)) == (0, 90_000)


def test_opened_goes_on_telling_what_it_told_in_version_1_0() -> None:
    device = Device()
    device.open()
    device.sample(90_000)
    read(device, read(device).memory_no)
    opened = device.open(5)
    assert (opened.torque_min, opened.torque_max) == (90_000, 90_000)


def test_opened_tells_the_extremes_from_open_to_open_even_with_no_run() -> None:
    device = Device()
    device.open()
    for torque in (100, -5000, 70_000, 0):
        device.sample(torque)
    opened = device.open(2)
    assert (opened.torque_min, opened.torque_max) == (-5000, 70_000)
    opened = device.open(3)
    assert (opened.torque_min, opened.torque_max) == (0, 0)
    device.sample(12)
    opened = device.open(4)
    assert (opened.torque_min, opened.torque_max) == (12, 12)


def test_a_board_without_the_feature_refuses() -> None:
    device = Device(features=7)
    device.open()
    assert device.ask(wire.Extremes(0)).reason == Reason.UNSUPPORTED


@given(
    st.lists(
        st.one_of(
            st.lists(st.integers(-8_388_608, 8_388_607), min_size=1, max_size=6),
            st.sampled_from([0, 1, 2, 3, "newest"]),
        ),
        max_size=30,
    )
)
def test_core_and_virtual_device_remember_the_same(steps: list[list[int] | int | str]) -> None:
    device, memory = Device(), OverloadMemory()
    device.open()
    newest, told, unseen = 0, 0, list[int]()
    for step in steps:
        if isinstance(step, list):
            memory.take(np.array(step, np.int32), device.now + MS, MS)
            unseen += step
            for torque in step:
                device.sample(torque)
            continue
        seen_no = newest if step == "newest" else int(step)
        reply = read(device, seen_no)
        assert reply == memory.read(seen_no, device.now)
        if seen_no == newest:
            unseen = unseen[told:]
        told, newest = len(unseen), reply.memory_no
        assert reply.samples == len(unseen)
        if unseen:
            assert reached(reply) == (min(unseen), max(unseen))
