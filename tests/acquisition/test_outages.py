"""Outages, restarts, events and the quality of the line."""

import pytest
from tests.acquisition.bends import opened, resends
from tests.acquisition.fake_device import FakeDevice
from tests.acquisition.line import MS, NONCE, SETTINGS, Line, straight

from nightturn.acquisition.control import FAR_NS
from nightturn.acquisition.link import Link
from nightturn.acquisition.outputs import DeviceEvent, Missing, SlowIn, StatusIn
from nightturn_protocol import messages
from nightturn_protocol.framing import frame_body, parse_header, parse_message


@pytest.mark.parametrize("away", [3, 40, 99])
def test_after_an_outage_the_ring_is_fetched(away: int) -> None:
    line = opened()
    line.stream(20)
    line.lose()
    line.device.produce(away)
    line.now_ns += away * 10 * MS
    line.open()
    line.stream(10)
    assert line.sessions()[-1].resumed
    assert line.missing() == []
    line.assert_whole(0, (30 + away) * 10)
    assert len(resends(line)) == 1
    assert not line.waits()


def test_after_an_outage_longer_than_the_ring_the_rest_is_missing() -> None:
    line = opened(FakeDevice(ring_blocks=50))
    line.stream(20)
    line.lose()
    line.device.produce(80)
    line.open()
    line.stream(5)
    assert line.missing() == [Missing("link", 200, 500)]
    line.assert_whole(0, 1050)


def test_a_ring_larger_than_one_resend_is_fetched_in_parts() -> None:
    line = opened(FakeDevice(ring_blocks=1000))
    line.stream(5)
    line.lose()
    line.device.produce(600)
    line.open()
    assert [count for _, count in resends(line)] == [256, 256, 88]
    line.assert_whole(0, 6050)


def test_a_catch_up_slower_than_hold_ms_goes_on_while_it_makes_progress() -> None:
    line = opened()
    line.stream(5)
    line.lose()
    ring = line.device.produce(40)
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    line.open()
    for number, again in enumerate(ring):  # one block again for each two new ones
        line.now_ns += 20 * MS
        line.arrive([*line.device.produce(2), again])
        if number % 5 == 4:
            line.carry(line.link.tick(line.now_ns))
    line.to_device = straight
    line.stream(10)
    assert line.missing() == []
    line.assert_whole(0, line.device.next_index)


def test_a_catch_up_that_stands_still_is_given_up() -> None:
    line = opened()
    line.stream(5)
    line.lose()
    line.device.produce(40)
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    line.open()
    line.stream(60)
    assert line.waits(), "the ring still holds what is missing"
    line.stream(60)
    assert line.missing() == [Missing("link", 50, 450)]
    line.assert_whole(0, 1650)


def test_blocks_waiting_while_the_line_is_down_are_delivered_after_five_seconds() -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(3)
    line.arrive([bodies[0], bodies[2]])
    line.lose()
    line.tick(times=49)
    assert line.waits()
    line.tick()
    assert not line.waits()
    assert line.missing() == [Missing("link", 10, 20)]


def test_blocks_that_arrive_during_the_handshake_wait_for_it() -> None:
    line = opened()
    line.stream(5)
    line.lose()
    fates = iter([()])
    line.to_device = lambda body: next(fates, (body,))
    line.open()
    line.arrive(line.device.produce(3))
    assert len(line.blocks()) == 5, "none before the session is up"
    line.tick()
    kinds = [type(output).__name__ for output in line.said]
    assert kinds[kinds.index("SessionUp", 1) :][:4] == ["SessionUp", "BlockIn", "BlockIn", "BlockIn"]
    line.assert_whole(0, 80)


def test_a_restart_found_at_open_begins_a_new_boot() -> None:
    line = opened()
    line.stream(5)
    line.tick()
    line.device.reboot(0xBEEF)
    line.tick(times=9)
    assert line.faults() == []
    line.tick()
    assert line.faults() == ["silent"]
    assert line.link.wants_reopen
    line.lose()
    line.open()
    (restart,) = line.restarts()
    assert (restart.boot_id, restart.reset_cause) == (0xBEEF, messages.ResetCause.WATCHDOG)
    up = line.sessions()[-1]
    assert up.new_boot
    assert not up.resumed
    before = len(line.blocks())
    line.stream(5)
    assert [block.index for block in line.blocks()[before:]] == [0, 10, 20, 30, 40]
    assert line.missing() == []


def test_what_waited_before_a_restart_is_delivered_before_it_is_said() -> None:
    line = opened()
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    bodies = line.device.produce(4)
    line.arrive([bodies[0], bodies[2], bodies[3]])
    line.device.reboot(7)
    line.lose()
    line.open()
    names = [type(output).__name__ for output in line.said]
    assert names == ["SessionUp", "BlockIn", "Missing", "BlockIn", "BlockIn", "Restarted", "SessionUp"]


def test_a_status_of_another_boot_is_a_restart() -> None:
    line = opened()
    line.stream(5)
    line.now_ns += 5_000 * MS
    line.device.boot_id = 99
    line.arrive([line.device.status()])
    assert [restart.boot_id for restart in line.restarts()] == [99]
    assert line.state == "running"
    assert line.sessions()[-1].new_boot
    line.stream(3)
    assert line.blocks()[-1].index == 70


def test_a_clock_that_goes_backwards_is_a_restart() -> None:
    line = opened()
    line.stream(5)
    line.now_ns += 5_000 * MS
    line.device.tick_offset = -4_000
    line.stream(5)
    assert len(line.restarts()) == 1
    assert len(line.sessions()) == 2
    assert line.sessions()[-1].new_boot
    assert not line.sessions()[-1].resumed
    assert line.blocks()[-1].index == 90
    ends = sorted([b.record_no for b in line.blocks()] + [s.record_no for s in line.skipped()])
    assert ends == line.block_records


def test_a_device_that_restarts_again_and_again_is_not_stormed() -> None:
    line = opened()
    for boot in range(100, 200):
        line.device.boot_id = boot
        line.now_ns += 10 * MS
        line.arrive([line.device.status()])
        line.carry(line.link.tick(line.now_ns))
    opens = [body for body in line.sent if parse_header(body).kind == messages.Open.KIND]
    assert len(opens) <= 3


def test_an_older_status_overtaken_by_a_newer_one_is_no_restart() -> None:
    line = opened()
    line.stream(3)
    old = line.device.status()
    line.stream(3)
    line.arrive([line.device.status(), old])
    assert line.restarts() == []
    assert len([output for output in line.said if isinstance(output, StatusIn)]) == 2


def test_an_event_is_acknowledged_each_time_and_told_once() -> None:
    line = opened()
    line.sent.clear()
    for number in (1, 1, 2, 1):
        line.arrive([line.device.event(number)])
    assert [output.event.event_no for output in line.said if isinstance(output, DeviceEvent)] == [1, 2]
    acked = [parse_message(body) for body in line.sent]
    assert acked == [messages.EventAck(number) for number in (1, 1, 2, 1)]


def test_an_event_of_a_new_boot_is_told_though_its_number_was_seen() -> None:
    line = opened()
    line.arrive([line.device.event(1)])
    line.device.reboot(5)
    line.lose()
    line.open()
    line.arrive([line.device.event(1)])
    assert len([output for output in line.said if isinstance(output, DeviceEvent)]) == 2


def test_slow_channels_are_passed_on() -> None:
    line = opened()
    line.arrive([frame_body(messages.Slow(5, ((0, 21.5),)), line.link.session, 0)])
    assert [output.slow.values for output in line.said if isinstance(output, SlowIn)] == [((0, 21.5),)]


def test_more_than_a_fifth_of_bad_frames_asks_for_a_new_opening() -> None:
    line = opened()
    for _ in range(12):
        line.stream(8, status_every=100)
        line.carry(line.link.bad(line.now_ns, 1))
        line.tick(ms=20)
    assert line.faults() == []
    for _ in range(12):
        line.stream(6, status_every=100)
        line.carry(line.link.bad(line.now_ns, 2))
        line.tick(ms=40)
    assert line.faults() == ["noise"], "told once"
    assert line.link.wants_reopen


def test_one_late_tick_is_no_silence() -> None:
    line = opened()
    line.stream(10)
    line.tick(ms=5_000)
    assert line.faults() == []


def test_a_link_that_knows_session_and_boot_of_an_earlier_life_takes_them_up() -> None:
    line = opened()
    line.stream(5)
    link = Link.start(SETTINGS, NONCE + 5, last_session=line.link.session, last_boot_id=line.link.boot_id)
    later = Line(device=line.device, link=link)
    later.open()
    assert later.link.session == line.link.session
    assert later.restarts() == []
    later.stream(5)
    assert later.blocks()[-1].index == 90
    assert later.missing() == []


def test_a_hole_found_during_a_catch_up_has_its_own_hold() -> None:
    line = opened()
    line.stream(5)
    line.lose()
    ring = line.device.produce(10)
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    line.open()
    line.arrive([line.device.produce(2)[1]])
    for again in ring:
        line.now_ns += 100 * MS
        line.carry(line.frame(again))
    assert line.waits(), "the hole behind the catch-up is a second old and only now in front"
    line.tick(ms=200, times=5)
    assert line.waits()
    line.tick(ms=20)
    assert line.missing() == [Missing("link", 150, 160)]


def test_nothing_is_due_while_the_stream_runs_smoothly() -> None:
    line = opened()
    line.stream(25)
    assert line.link.due_ns == FAR_NS
    assert line.link.lane.fast_session == line.link.session


def test_an_uptime_that_went_backwards_is_a_restart_though_the_boot_id_is_the_same() -> None:
    line = opened()
    line.stream(5)
    line.device.reboot(line.device.boot_id)
    line.lose()
    line.open()
    assert len(line.restarts()) == 1
    assert line.sessions()[-1].new_boot


def test_a_device_that_talks_to_somebody_else_is_silent_to_us() -> None:
    line = opened()
    line.stream(5)
    line.tick()
    line.device.session ^= 0x5555
    line.stream(110)
    assert line.faults() == ["silent"]
    assert line.link.wants_reopen
    line.device.session ^= 0x5555
    line.lose()
    line.open()
    assert line.state == "running"
