"""The data lane on an open line: loss, RESEND, patience and giving up."""

import msgspec
import pytest
from tests.acquisition.bends import losing, opened, resends
from tests.acquisition.fake_device import FakeDevice
from tests.acquisition.line import MS, NONCE, Line, straight

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import Missing
from nightturn.acquisition.reassembly import WAITING_MAX
from nightturn_protocol import messages
from nightturn_protocol.framing import frame_body, parse_header


def test_one_lost_block_is_asked_for_once_and_nothing_is_missing() -> None:
    line = opened()
    line.to_host = losing(5)
    line.stream(20)
    assert resends(line) == [(5, 1)]
    assert len(line.blocks()) == 20
    assert line.missing() == []
    line.assert_whole(0, 200)


def test_the_sequence_number_may_wrap_in_the_middle_of_a_hole() -> None:
    line = opened(FakeDevice(next_seq=0xFFFF_FFFC))
    line.to_host = losing(0xFFFF_FFFE, 0xFFFF_FFFF, 0, 1)
    line.stream(20)
    assert resends(line)[0] == (0xFFFF_FFFE, 4)
    line.assert_whole(0, 200)
    assert line.missing() == []


def test_a_lost_tail_is_found_by_the_status() -> None:
    line = opened()
    line.stream(8)
    line.to_host = losing(8, 9)
    line.arrive(line.device.produce(2))
    line.arrive([line.device.status()])
    line.tick(times=2)
    assert resends(line) == [(8, 2)]
    line.assert_whole(0, 100)


def test_a_lost_resend_is_sent_again_more_seldom_after_five_and_given_up_with_the_ring() -> None:
    line = opened()
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    line.to_host = losing(2)
    line.arrive(line.device.produce(4))
    line.sent.clear()
    asked: list[int] = []
    for _ in range(204):  # other frames go on, so the line is alive
        assert line.missing() == []
        line.now_ns += 5 * MS
        line.arrive([frame_body(messages.Slow(1, ()), line.link.session, 0)])
        asked.append(sum(parse_header(body).kind == messages.Resend.KIND for body in line.sent))
    assert asked[29:49] == [5] * 20, "five more after the first, each 30 ms after the one before"
    assert asked[-1] == 13, "then one each 100 ms"
    assert line.missing() == [Missing("link", 20, 30)]
    line.assert_whole(0, 40)


@pytest.mark.parametrize(("ring_blocks", "hold_ms"), [(3, 250), (100, 1020), (5000, 10_000)])
def test_a_gap_holds_the_blocks_behind_it_up_as_long_as_the_ring_may_hold_it_within_bounds(
    ring_blocks: int, hold_ms: int
) -> None:
    line = opened(FakeDevice(ring_blocks=ring_blocks))
    line.to_device = lambda _: ()
    line.to_host = losing(1)
    line.arrive(line.device.produce(3))
    assert line.waits()
    line.tick(ms=10, times=hold_ms // 10 - 1)
    assert line.waits()
    line.tick(ms=10)
    assert not line.waits()
    assert line.missing() == [Missing("link", 10, 20)]


def test_what_the_ring_still_holds_is_waited_for_however_often_it_was_asked_for() -> None:
    line = opened()
    line.to_device = lambda _: ()
    line.to_host = losing(5)
    line.stream(80)
    assert line.missing() == []
    line.to_device = straight
    line.stream(20)
    assert line.missing() == []
    line.assert_whole(0, 1000)


def test_a_trickle_of_a_long_hole_is_waited_for_as_long_as_it_goes_on() -> None:
    line = opened()
    hole = list(range(1, 31))
    line.to_host = losing(*hole)
    ring = line.device.produce(32)
    line.to_device = lambda _: ()
    line.arrive(ring)
    for number in hole:  # three seconds, at a tenth of what the line brought before
        line.tick()
        line.carry(line.frame(ring[number]))
    assert line.missing() == []
    line.assert_whole(0, 320)


def test_time_in_which_the_host_stood_still_counts_for_no_patience() -> None:
    line = opened()
    line.to_device = lambda _: ()
    line.to_host = losing(1)
    line.arrive(line.device.produce(3))
    line.now_ns += 5_000 * MS  # the answer to its RESEND waits unread meanwhile
    line.carry(line.link.tick(line.now_ns))
    line.arrive([frame_body(messages.Slow(1, ()), line.link.session, 0)])
    assert line.missing() == []
    line.carry(line.frame(line.device.ring[1]))
    assert line.missing() == []
    line.assert_whole(0, 30)


def test_what_left_the_ring_while_the_host_stood_still_is_the_hosts_gap_and_a_later_one_the_links() -> None:
    line = opened(FakeDevice(ring_blocks=20))
    line.stream(10)
    line.now_ns += 700 * MS
    late = line.device.produce(70)
    line.arrive([*late[:5], *late[50:]])  # what the reader's own buffer could not hold is gone
    line.stream(40)
    assert line.missing() == [Missing("host", 150, 600)]
    line.to_device = lambda _: ()
    line.to_host = losing(*range(120, 150))
    line.stream(60)
    assert line.missing()[1:] == [Missing("link", 1200, 1500)]
    line.assert_whole(0, 1800)


def test_a_host_whose_ticks_are_seldom_stands_not_still_between_them() -> None:
    link = Link.start(LinkSettings(rate_millihz=1_000_000, samples_per_block=10, status_ms=500), NONCE)
    line = Line(device=FakeDevice(ring_blocks=20), link=link)
    line.open()
    line.stream(10)
    line.device.produce(300)  # nothing comes over the line for 3 s
    line.tick(ms=500, times=6)
    line.arrive([line.device.status()])
    line.stream(10)
    assert {missing.cause for missing in line.missing()} == {"link"}


def test_a_block_that_comes_after_it_was_given_up_is_late() -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(4)
    line.arrive([bodies[0], bodies[2]])
    line.tick(times=11)
    line.arrive([bodies[1], bodies[2], bodies[3]])
    assert [skipped.why for skipped in line.skipped()] == ["late", "duplicate"]
    line.assert_whole(0, 40)


def test_gone_gives_up_at_once() -> None:
    line = opened(FakeDevice(ring_blocks=3))
    line.to_host = losing(*range(1, 8))
    line.arrive(line.device.produce(10))
    assert line.missing() == [Missing("link", 10, 70)]
    assert not line.waits()
    assert [block.seq for block in line.blocks()] == [0, 7, 8, 9], "what the ring held was fetched"


def test_a_status_whose_ring_begins_later_gives_up_at_once() -> None:
    line = opened(FakeDevice(ring_blocks=3))
    line.to_device = lambda _: ()
    line.to_host = losing(*range(1, 8))
    line.arrive(line.device.produce(9))
    assert line.waits()
    line.arrive(line.device.produce(3))
    line.arrive([line.device.status()])
    assert not line.waits()
    line.assert_whole(0, 120)


def test_blocks_overwritten_before_they_were_sent_have_their_own_cause() -> None:
    line = opened(FakeDevice(ring_blocks=3))
    line.stream(10)
    line.device.produce(6)  # the transmitter stands still
    line.device.overwritten += 3
    line.arrive([line.device.status()])
    line.arrive(list(line.device.ring.values()))
    line.stream(3)
    assert line.missing() == [Missing("overwritten", 100, 130)]
    line.assert_whole(0, 190)


def test_samples_the_device_never_took_are_the_devices_gap() -> None:
    line = opened()
    line.stream(3)
    line.arrive(line.device.produce(2, lose_samples=17))
    assert line.missing() == [Missing("device", 30, 47)]
    line.assert_whole(0, 67)


def test_the_first_block_of_all_may_be_lost_for_good() -> None:
    line = opened(FakeDevice(next_index=1000))
    line.to_device = lambda _: ()
    line.to_host = losing(0, 1)
    line.device.next_index = 1040  # samples taken while nothing ran
    line.arrive(line.device.produce(3))
    line.tick(times=11)
    assert line.missing() == [Missing("link", 1040, 1060)]


def test_too_many_waiting_blocks_end_the_patience() -> None:
    line = opened(FakeDevice(ring_blocks=2000))
    line.to_device = lambda _: ()
    bodies = line.device.produce(WAITING_MAX + 3)
    line.arrive(bodies[1 : WAITING_MAX + 1])
    assert len(line.link.lane.waiting) == WAITING_MAX
    assert line.blocks() == []
    line.arrive(bodies[WAITING_MAX + 1 :])
    assert line.missing() == [Missing("link", 0, 10)]
    assert [block.seq for block in line.blocks()] == list(range(1, WAITING_MAX + 3))
    assert not line.waits()


def test_blocks_of_another_session_are_foreign() -> None:
    line = opened()
    body = line.device.produce()[0]
    line.arrive([body[:2] + b"\x34\x12" + body[4:], body[:2] + b"\0\0" + body[4:]])
    assert [skipped.why for skipped in line.skipped()] == ["foreign", "foreign"]
    assert line.link.counters.foreign_session == 2


def test_a_block_that_does_not_fit_its_counts_costs_only_itself() -> None:
    line = opened()
    bodies = line.device.produce(3)
    line.arrive([bodies[0], bodies[1][:-1], bodies[2]])
    assert [skipped.why for skipped in line.skipped()] == ["malformed"]
    assert line.missing() == [Missing("device", 10, 20)]
    assert resends(line) == []


def test_a_resend_that_brings_something_is_not_given_up() -> None:
    line = opened()
    hole = list(range(1, 11))
    line.to_host = losing(*hole)
    ring = line.device.produce(12)
    line.to_device = lambda _: ()
    line.link.lane.hold_ns = 10_000 * MS
    line.arrive(ring[:1] + ring[11:])
    for number in hole:  # each comes only after three more asks
        for _ in range(3):
            line.tick(ms=31)
        line.carry(line.frame(ring[number]))
    assert line.missing() == []
    line.assert_whole(0, 120)


def test_asking_on_a_silent_line_costs_no_try() -> None:
    line = opened()
    line.stream(5)
    line.device.produce(2)
    line.arrive([line.device.status()])
    line.to_device = lambda _: ()
    line.tick(ms=40, times=20)
    asked = [body for body in line.sent if parse_header(body).kind == messages.Resend.KIND]
    assert len(asked) > 5
    assert line.link.lane.series.blocks_given_up == 0
    line.to_device = straight
    line.tick(ms=40, times=2)
    line.assert_whole(0, 70)
    assert line.missing() == []


def test_a_hole_with_two_causes_counts_as_lost_on_the_line() -> None:
    line = opened(FakeDevice(ring_blocks=2))
    line.to_device = lambda _: ()
    line.arrive([line.device.produce(1)[0], line.device.status()])
    line.device.produce(4)
    line.arrive([line.device.status()])
    line.device.overwritten += 2
    line.device.produce(4)
    line.arrive([line.device.status(), *line.device.ring.values()])
    assert line.missing() == [Missing("link", 10, 70)]


def test_a_block_of_another_set_up_is_foreign_even_when_it_is_the_next() -> None:
    line = opened()
    line.stream(3)
    line.device.config_epoch += 1
    line.stream(1)
    line.device.config_epoch -= 1
    line.stream(1)
    assert [skipped.why for skipped in line.skipped()] == ["foreign"]
    assert line.missing() == [Missing("device", 30, 40)]
    assert line.state == "running"


def test_flush_gives_every_gap_up() -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(6)
    line.arrive([bodies[0], bodies[2], bodies[5]])
    line.carry(line.link.flush(line.now_ns))
    assert not line.waits()
    assert line.missing() == [Missing("link", 10, 20), Missing("link", 30, 50)]
    line.stream(2)
    line.assert_whole(0, 80)


def test_long_blocks_leave_room_for_more_than_one_resend() -> None:
    link = Link.start(LinkSettings(rate_millihz=1_000_000, samples_per_block=100, status_ms=100), NONCE)
    line = Line(device=FakeDevice(count=100), link=link)
    line.open()
    lost = iter([()])
    line.to_device = lambda body: (
        next(lost, (body,)) if parse_header(body).kind == messages.Resend.KIND else (body,)
    )
    line.to_host = losing(3)
    for _ in range(10):
        line.now_ns += 100 * MS
        line.arrive(line.device.produce())
        line.carry(line.link.tick(line.now_ns))
    assert resends(line) == [(3, 1)]
    assert line.missing() == []
    line.assert_whole(0, 1000)


@pytest.mark.parametrize("field", ["index", "tick"])
def test_numbers_that_no_device_reaches_are_malformed_and_leave_a_state_that_can_be_kept(field: str) -> None:
    line = opened()
    (body,) = line.device.produce()
    at = 8 if field == "index" else 16
    line.arrive([body[:at] + b"\xff" * 8 + body[at + 8 :]])
    assert [skipped.why for skipped in line.skipped()] == ["malformed"]
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(line.link), type=Link) == line.link
    line.stream(3)
    assert len(line.blocks()) == 3
