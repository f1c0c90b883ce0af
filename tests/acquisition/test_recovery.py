"""The data lane: loss, RESEND, giving up, outages, restarts; delivered and missing samples make up the produced ones."""

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.acquisition.fake_device import FakeDevice
from tests.acquisition.line import MS, NONCE, SETTINGS, Line, straight

from nightturn.acquisition.control import FAR_NS
from nightturn.acquisition.link import Link
from nightturn.acquisition.outputs import BlockIn, DeviceEvent, Missing, Restarted, Skipped, SlowIn, StatusIn
from nightturn.acquisition.reassembly import WAITING_MAX
from nightturn_protocol import messages
from nightturn_protocol.framing import frame_body, parse_header, parse_message

LOSE, TWICE, LATE, VERY_LATE = "lose", "twice", "late", "very late"
FATES = st.sampled_from(["", "", "", "", LOSE, TWICE, LATE, VERY_LATE])
STEPS_LATE = {LATE: 1, VERY_LATE: 7}


def opened(device: FakeDevice | None = None) -> Line:
    """A line whose handshake is done."""
    line = Line(device=device or FakeDevice())
    line.open()
    assert line.state == "running"
    return line


def losing(*seqs: int) -> Callable[[bytes], Sequence[bytes]]:
    """Loses the first copy of BLOCK frames with these sequence numbers."""
    left = set(seqs)

    def bend(body: bytes) -> Sequence[bytes]:
        header = parse_header(body)
        if header.kind == messages.Block.KIND and header.seq in left:
            left.remove(header.seq)
            return ()
        return (body,)

    return bend


def resends(line: Line) -> list[tuple[int, int]]:
    """The RESENDs that the device has seen."""
    return [(m.first_seq, m.count) for m in line.device.seen if isinstance(m, messages.Resend)]


class Unsteady:
    """Gives each frame the next fate of a list; late frames come some steps later, so that others overtake them."""

    def __init__(self, fates: Sequence[str]) -> None:
        self.fates = iter(fates)
        self.step = 0
        self.held: list[tuple[int, bytes]] = []

    def __call__(self, body: bytes) -> Sequence[bytes]:
        fate = next(self.fates, "")
        if fate == LOSE:
            return ()
        if fate == TWICE:
            return (body, body)
        if fate in STEPS_LATE:
            self.held.append((self.step + STEPS_LATE[fate], body))
            return ()
        return (body,)

    def due(self) -> list[bytes]:
        """Late frames whose time has come."""
        ready = [body for step, body in self.held if step <= self.step]
        self.held = [(step, body) for step, body in self.held if step > self.step]
        return ready


def run_unsteady(
    line: Line, out: Unsteady, back: Unsteady, steps: int, ticks: Sequence[int]
) -> dict[int, bytes]:
    """Stream over an unsteady line, then over a good one until all is settled; returns the bodies by index."""
    produced: dict[int, bytes] = {}
    line.to_host, line.to_device = back, out
    for step in range(steps + 60):
        if step == steps:
            for _, body in back.held:
                line.carry(line.frame(body))
            line.to_host = line.to_device = straight
            back.held, out.held = [], []
        line.now_ns += 10 * MS
        back.step = out.step = step
        for body in out.due():
            for answer in line.device.receive(body):
                line.arrive([answer])
        for body in back.due():
            line.carry(line.frame(body))
        lost = 4 if step % 23 == 22 else 0
        index = line.device.next_index + lost
        bodies = line.device.produce(lose_samples=lost)
        produced[index] = bodies[0]
        line.arrive(bodies)
        if step % 10 == 9:
            line.arrive([line.device.status()])
        if step in ticks or step >= steps:
            line.carry(line.link.tick(line.now_ns))
    return produced


@settings(deadline=None, max_examples=60)
@given(
    st.lists(FATES, max_size=40),
    st.lists(FATES, max_size=120),
    st.sets(st.integers(0, 120)),
    st.integers(0, 0xFFFF_FFFF),
    st.sampled_from([100, 4]),
)
def test_delivered_and_missing_samples_make_up_the_produced_ones(
    out: list[str], back: list[str], ticks: set[int], first_seq: int, ring_blocks: int
) -> None:
    line = opened(FakeDevice(next_seq=first_seq, ring_blocks=ring_blocks))
    produced = run_unsteady(line, Unsteady(out), Unsteady(back), 120, sorted(ticks))
    line.assert_whole(0, line.device.next_index)
    for block in line.blocks():
        assert block.body == produced[block.index], "none altered"
    assert not line.waits()
    by_device = sum(m.index_to - m.index_from for m in line.missing() if m.cause == "device")
    assert by_device <= 4 * (180 // 23)
    assert line.restarts() == []
    assert line.faults() == []


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(0, 150), st.integers(0, 3)), max_size=4),
    st.lists(FATES, max_size=80),
    st.lists(FATES, max_size=30),
)
def test_outages_and_an_unsteady_line_together_lose_no_sample_unsaid(
    outages: list[tuple[int, int, int]], back: list[str], out: list[str]
) -> None:
    line = opened()
    line.to_host, line.to_device = Unsteady(back), Unsteady(out)
    for before, away, seconds in outages:
        line.stream(before)
        line.lose()
        line.device.produce(away)
        line.tick(times=10 * seconds)
        line.open()
    line.to_host = line.to_device = straight
    line.tick(times=30)
    line.stream(60)
    assert line.state == "running"
    line.assert_whole(0, line.device.next_index)
    assert not line.waits()


def fates(rng: np.random.Generator, share: float, count: int) -> list[str]:
    """A share of frames lost, and half as many each of repeated, late and very late ones."""
    odds = [1 - 2.5 * share, share, share / 2, share / 2, share / 2]
    return [str(fate) for fate in rng.choice(["", LOSE, TWICE, LATE, VERY_LATE], count, p=odds)]


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_a_steadily_bad_line_loses_no_sample_unsaid(share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = opened(FakeDevice(next_seq=0xFFFF_FFFF - 200))
    out, back = Unsteady(fates(rng, share, 2000)), Unsteady(fates(rng, share, 2000))
    produced = run_unsteady(line, out, back, 500, range(0, 500, 10))
    line.assert_whole(0, line.device.next_index)
    assert all(block.body == produced[block.index] for block in line.blocks())
    missing = [gap for gap in line.missing() if gap.cause == "link"]
    assert len(missing) <= {0.02: 0, 0.1: 2, 0.3: 60}[share]
    assert line.restarts() == []


@pytest.mark.long
@pytest.mark.parametrize("seed", range(60))
def test_many_bad_lines_with_outages_and_restarts_lose_no_sample_unsaid(seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = opened(FakeDevice(ring_blocks=int(rng.integers(3, 400))))
    reboots = 0
    for _ in range(30):
        share = float(rng.choice([0.0, 0.02, 0.1, 0.3]))
        line.to_host, line.to_device = Unsteady(fates(rng, share, 60)), Unsteady(fates(rng, share, 60))
        line.stream(int(rng.integers(1, 60)))
        line.lose()
        if rng.random() < 0.2:
            line.device.reboot(int(rng.integers(1, 1 << 32)))
            reboots += 1
        elif rng.random() < 0.8:
            line.device.produce(int(rng.integers(0, 500)))
        line.tick(times=int(rng.integers(0, 70)))
        line.open()
        line.to_host = line.to_device = straight
        line.tick(times=12)
    line.stream(60)
    assert line.state == "running"
    assert not line.waits()
    assert len(line.restarts()) == reboots
    restarts = [place for place, output in enumerate(line.said) if isinstance(output, Restarted)]
    said = line.said
    for start, stop in pairwise([0, *restarts, len(said)]):
        line.said = said[start:stop]
        stretches = line.stretches()
        assert all(end == begin for (_, end), (begin, _) in pairwise(stretches))
    ends = [output.record_no for output in said if isinstance(output, BlockIn | Skipped)]
    assert sorted(ends) == line.block_records
    assert line.stretches()[-1][1] == line.device.next_index


@settings(deadline=None, max_examples=15)
@given(st.lists(FATES, max_size=60), st.lists(FATES, max_size=120))
def test_a_link_restored_from_any_snapshot_goes_on_alike(out: list[str], back: list[str]) -> None:
    said = []
    for snapshots in (False, True):
        line = opened()
        line.snapshots = snapshots
        run_unsteady(line, Unsteady(out), Unsteady(back), 60, range(0, 60, 10))
        said.append((line.said, line.sent))
    assert said[0] == said[1]


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(12)), st.sets(st.integers(0, 11)))
def test_any_order_and_any_ticks_give_the_same_blocks(order: list[int], ticks: set[int]) -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(12)
    for position, number in enumerate(order):
        line.now_ns += 10 * MS
        line.carry(line.frame(bodies[number]))
        if position in ticks:
            line.carry(line.link.tick(line.now_ns))
    assert [block.body for block in line.blocks()] == bodies
    assert line.missing() == []


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


def test_a_lost_resend_is_sent_again_and_given_up_after_five() -> None:
    line = opened()
    line.to_device = lambda body: () if parse_header(body).kind == messages.Resend.KIND else (body,)
    line.to_host = losing(2)
    line.arrive(line.device.produce(4))
    line.sent.clear()
    for _ in range(40):  # other frames go on, so the line is alive
        line.now_ns += 5 * MS
        line.arrive([frame_body(messages.Slow(1, ()), line.link.session, 0)])
    asked = [body for body in line.sent if parse_header(body).kind == messages.Resend.KIND]
    assert len(asked) == 4, "four more after the first"
    assert line.missing() == [Missing("link", 20, 30)]
    line.assert_whole(0, 40)


def test_a_gap_holds_the_blocks_behind_it_up_for_hold_ms_at_most() -> None:
    line = opened()
    line.to_device = lambda _: ()
    line.to_host = losing(1)
    line.arrive(line.device.produce(3))
    assert line.waits()
    line.tick(ms=249)
    assert line.waits()
    line.tick(ms=1)
    assert not line.waits()
    assert line.missing() == [Missing("link", 10, 20)]


def test_a_block_that_comes_after_it_was_given_up_is_late() -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(4)
    line.arrive([bodies[0], bodies[2]])
    line.tick(ms=300)
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
    line.tick(ms=300)
    assert line.missing() == [Missing("link", 1040, 1060)]


def test_too_many_waiting_blocks_end_the_patience() -> None:
    line = opened(FakeDevice(ring_blocks=1000))
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


# outages


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
    assert line.missing() == [Missing("link", 50, 450)]
    line.assert_whole(0, 1050)


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


# restarts


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


# notices and events


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


# the quality of the line


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


# patience


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
    assert line.link.lane.blocks_given_up == 0
    line.to_device = straight
    line.tick(ms=40, times=2)
    line.assert_whole(0, 70)
    assert line.missing() == []


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
    line.tick(ms=249)
    assert line.waits()
    line.tick(ms=1)
    assert line.missing() == [Missing("link", 150, 160)]


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


def test_nothing_is_due_while_the_stream_runs_smoothly() -> None:
    line = opened()
    line.stream(25)
    assert line.link.due_ns == FAR_NS
    assert line.link.lane.fast_session == line.link.session


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


def test_an_uptime_that_went_backwards_is_a_restart_though_the_boot_id_is_the_same() -> None:
    line = opened()
    line.stream(5)
    line.device.reboot(line.device.boot_id)
    line.lose()
    line.open()
    assert len(line.restarts()) == 1
    assert line.sessions()[-1].new_boot


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
