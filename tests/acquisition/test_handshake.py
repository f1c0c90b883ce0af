"""The handshake: OPEN, sheet, set-up, run; and what is said when it does not come about."""

import json
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import SHEET, SHEET_BYTES, FakeDevice
from tests.acquisition.line import MS, NONCE, SETTINGS, Line

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import LinkFault, Reply, SendFrame
from nightturn.acquisition.states import TRANSITIONS, LinkEvent, LinkState
from nightturn_protocol import messages
from nightturn_protocol.framing import Deframer, parse_header, parse_message
from nightturn_protocol.messages import DeviceState, Reason


def kinds(line: Line) -> list[str]:
    """Names of the messages the device has seen."""
    return [type(message).__name__ for message in line.device.seen]


def fault_text(line: Line) -> str:
    return " / ".join(output.detail for output in line.said if isinstance(output, LinkFault))


def test_a_new_device_is_opened_read_set_up_and_run() -> None:
    line = Line()
    line.open()
    assert line.state == "running"
    (up,) = line.sessions()
    assert up.new_boot
    assert not up.resumed
    assert up.sheet == SHEET_BYTES
    assert kinds(line) == ["Open", *["Sheet"] * -(-len(SHEET_BYTES) // 512), "Setup", "Run"]
    assert line.link.boot_id == line.device.boot_id
    assert line.link.session == line.device.session != 0
    assert line.faults() == []


@given(st.lists(st.booleans(), max_size=25), st.lists(st.booleans(), max_size=25))
def test_lost_frames_only_delay_the_handshake(out: list[bool], back: list[bool]) -> None:
    def bend(fates: list[bool]) -> object:
        left = iter(fates)
        return lambda body: () if next(left, False) else (body,)

    line = Line(to_device=bend(out), to_host=bend(back))  # type: ignore[arg-type]  # a plain function
    line.open()
    line.tick(times=400)
    assert line.state == "running"
    assert len(line.sessions()) == 1
    set_ups = {parse_header(body).seq for body in line.sent if parse_header(body).kind == messages.Setup.KIND}
    assert line.device.config_epoch <= len(set_ups), "a retry acts once"


def test_open_is_retried_after_100_200_and_400_ms_and_then_each_second() -> None:
    line = Line(to_device=lambda _: ())
    line.open()
    times = [0] * len(line.sent)
    for _ in range(50):
        line.tick()
        times += [line.now_ns // MS] * (len(line.sent) - len(times))
    assert times == [0, 100, 300, 700, 1100, 2100, 3100, 4100]
    assert {parse_header(body).kind for body in line.sent} == {messages.Open.KIND}
    assert line.faults() == ["no_answer"]


def test_a_line_that_never_answers_asks_to_be_opened_anew() -> None:
    line = Line(to_device=lambda _: ())
    line.open()
    wanted = []
    for _ in range(100):
        line.tick()
        wanted.append(line.link.wants_reopen)
    assert wanted == [False] * 99 + [True]
    line.lose()
    line.open()
    assert not line.link.wants_reopen


def test_another_major_version_is_named_and_nothing_more_is_sent() -> None:
    def other_major(body: bytes) -> Sequence[bytes]:
        return (bytes([0x20]) + body[1:],)

    line = Line(to_host=other_major)
    line.open()
    sent = len(line.sent)
    line.tick(times=100)
    assert line.state == "fault"
    assert line.faults() == ["wrong_major"]
    assert "version 2" in fault_text(line)
    assert "this host 1" in fault_text(line)
    assert len(line.sent) == sent


def test_20_kb_of_another_protocol_are_called_foreign() -> None:
    line = Line(to_device=lambda _: ())
    line.open()
    deframer = Deframer()
    noise = np.random.default_rng(5).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    for start in range(0, len(noise), 500):
        for body in deframer.receive_bytes(noise[start : start + 500]):
            line.carry(line.frame(body))
        count, _ = deframer.take_bad()
        line.carry(line.link.bad(line.now_ns, count))
        line.tick()
    assert line.faults() == ["foreign"]
    assert line.state == "opening"
    line.to_device = lambda body: (body,)
    line.tick(times=10)
    assert line.state == "running", "the handshake comes about once the noise is over"


def test_our_own_frames_coming_back_are_called_foreign() -> None:
    line = Line()
    for output in line.link.opened(0):
        assert isinstance(output, SendFrame)
        line.carry(line.frame(output.body))
    line.to_device = lambda _: ()
    line.tick(times=20)
    assert line.faults() == ["foreign"]
    assert "echo" in fault_text(line)


def test_a_refused_open_is_said_in_words() -> None:
    line = Line(device=FakeDevice(refuse={messages.Open.KIND: Reason.VERSION}))
    line.open()
    assert line.state == "fault"
    assert line.faults() == ["refused"]
    assert "OPEN" in fault_text(line)
    assert "another version" in fault_text(line)


def test_a_refused_set_up_is_said_in_words() -> None:
    line = Line(device=FakeDevice(refuse={messages.Setup.KIND: Reason.OUT_OF_RANGE}))
    line.open()
    assert line.state == "fault"
    assert line.faults() == ["refused"]
    assert "SETUP" in fault_text(line)
    assert "range" in fault_text(line)


def test_a_refusal_of_the_moment_is_tried_again() -> None:
    device = FakeDevice(refuse={messages.Run.KIND: Reason.NOT_NOW})
    line = Line(device=device)
    line.open()
    line.tick(times=35)
    assert line.faults() == ["refused"], "told once"
    opens = kinds(line).count("Open")
    assert 2 <= opens <= 5, "about one attempt a second"
    device.refuse.clear()
    line.tick(times=15)
    assert line.state == "running"


def test_a_set_up_that_came_out_otherwise_names_both_values() -> None:
    line = Line(device=FakeDevice(alter_setup={"rate_millihz": 999_000}))
    line.open()
    assert line.faults() == ["refused"]
    assert "1000000" in fault_text(line)
    assert "999000" in fault_text(line)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (b"not JSON" * 10, "cannot be used: line 1, column 1: Expecting value; allowed: JSON"),
        (json.dumps({**SHEET, "schema": 2}).encode(), "cannot be used: schema: 2; allowed: 1"),
        (b"x" * 16385, "size: 16385 bytes; allowed: 1 to 16384"),
        (b"", "size: 0 bytes; allowed: 1 to 16384"),
    ],
)
def test_a_bad_sheet_ends_the_handshake_with_its_reason(sheet: bytes, words: str) -> None:
    line = Line(device=FakeDevice(sheet=sheet))
    line.open()
    assert line.state == "fault"
    assert line.faults() == ["sheet"]
    assert words in fault_text(line)


def test_a_sheet_that_changed_on_the_way_is_refused() -> None:
    line = Line()
    line.to_host = lambda body: (
        (body[:-1] + b"!",) if parse_header(body).kind == messages.SheetPart.KIND else (body,)
    )
    line.open()
    assert line.faults() == ["sheet"]
    assert "digest" in fault_text(line)


def test_a_sheet_known_by_its_digest_is_not_read_again() -> None:
    line = Line()
    line.open()
    line.device.reboot(2)
    line.lose()
    line.open()
    assert len(line.sessions()) == 2
    assert kinds(line).count("Sheet") == -(-len(SHEET_BYTES) // 512)


def test_a_device_that_runs_for_somebody_else_is_halted_first() -> None:
    line = Line()
    line.open()
    line.stream(5)
    other = Line(device=line.device, link=Link.start(SETTINGS, NONCE + 1))
    line.device.seen.clear()
    other.open()
    assert [name for name in kinds(other) if name != "Sheet"] == ["Open", "Halt", "Setup", "Run"]
    other.stream(5)
    assert len(other.blocks()) == 5
    assert other.blocks()[0].index == 50


def test_blocks_of_an_earlier_set_up_are_no_part_of_the_series() -> None:
    line = Line()
    line.open()
    line.stream(3)
    device = line.device
    other = Line(device=device, link=Link.start(SETTINGS, NONCE + 1))

    def halt_late(body: bytes) -> Sequence[bytes]:
        if parse_header(body).kind == messages.Halt.KIND:
            other.to_device = lambda later: (later,)
            for block in device.produce(2):  # the old stream goes on under the new session
                other.carry(other.frame(block))
        return (body,)

    other.to_device = halt_late
    other.open()
    other.stream(4)
    assert [block.index for block in other.blocks()] == [50, 60, 70, 80]
    assert [skipped.why for skipped in other.skipped()] == ["foreign", "foreign"]
    assert other.missing() == []


def test_a_request_is_retried_three_times_and_then_given_up() -> None:
    line = Line()
    line.open()
    line.to_device = lambda _: ()
    line.sent.clear()
    seq, frame = line.link.request(messages.Clear(0), line.now_ns)
    line.carry([frame])
    line.tick(times=12)
    assert line.sent == [frame.body] * 4
    assert [output for output in line.said if isinstance(output, Reply)] == [
        Reply(seq, messages.Clear.KIND, None)
    ]


def test_a_request_whose_answer_is_lost_acts_once_and_is_answered_once() -> None:
    line = Line()
    line.open()
    fates = iter([False, True, True])
    line.to_host = lambda body: (body,) if next(fates, True) else ()
    seq, frame = line.link.request(messages.Drive(0, 0, 5, 1.0, 1.0, 1.0, 0, 1, 0), line.now_ns)
    line.carry([frame])
    line.tick(times=5)
    replies = [output for output in line.said if isinstance(output, Reply)]
    assert replies == [Reply(seq, messages.Drive.KIND, messages.DriveReply(5, 0, 1, 0))]


def test_a_refused_request_comes_back_as_its_reply() -> None:
    line = Line()
    line.open()
    line.device.refuse[messages.Clear.KIND] = Reason.NOT_NOW
    _, frame = line.link.request(messages.Clear(3), line.now_ns)
    line.carry([frame])
    (reply,) = [output for output in line.said if isinstance(output, Reply)]
    assert isinstance(reply.message, messages.Refused)
    assert line.state == "running"


def test_requests_under_way_end_unanswered_when_the_line_is_lost() -> None:
    line = Line()
    line.open()
    line.to_device = lambda _: ()
    seqs = [line.link.request(messages.Clear(number), line.now_ns)[0] for number in range(3)]
    line.lose()
    assert [(o.request_seq, o.message) for o in line.said if isinstance(o, Reply)] == [
        (seq, None) for seq in seqs
    ]


def test_more_requests_than_the_device_remembers_give_up_the_oldest() -> None:
    line = Line()
    line.open()
    line.to_device = lambda _: ()
    seqs = [line.link.request(messages.Clear(number), line.now_ns)[0] for number in range(10)]
    line.tick(ms=1)
    assert [o.request_seq for o in line.said if isinstance(o, Reply)] == seqs[:2]


def test_a_probe_is_sent_once_and_its_answer_carries_the_stamp() -> None:
    line = Line()
    line.open()
    line.now_ns = 5 * MS
    line.carry([line.link.notice(messages.Probe(123, 0, 0, 9))])
    (probed,) = [output for output in line.said if type(output).__name__ == "ProbedIn"]
    assert probed.at_ns == 5 * MS  # type: ignore[union-attr]  # the name is checked above
    line.to_device = lambda _: ()
    line.sent.clear()
    line.carry([line.link.notice(messages.Probe(123, 0, 0, 10))])
    line.tick(times=9)
    assert len(line.sent) == 1


def test_session_numbers_are_never_0_nor_the_last_one() -> None:
    for nonce in (0, 0xFFFE, 0xFFFF, 0xFFFF_FFFF):
        line = Line(link=Link.start(SETTINGS, nonce))
        seen = set()
        for boot in range(1, 6):
            line.device.reboot(boot)
            line.open()
            seen.add(line.link.session)
        assert len(seen) == 5
        assert all(1 <= session <= 0xFFFF for session in seen)


def test_every_state_is_left_when_the_line_is_lost_and_reached_by_some_row() -> None:
    for state in LinkState:
        if state != LinkState.CLOSED:
            assert TRANSITIONS[state, LinkEvent.LINE_LOST] == LinkState.CLOSED
        assert state in TRANSITIONS.values()


@given(
    st.lists(st.binary(max_size=80), max_size=30),
    st.sampled_from(["closed", "opening", "running"]),
    st.data(),
)
def test_no_frame_whatever_raises(bodies: list[bytes], state: str, data: st.DataObject) -> None:
    line = Line()
    if state != "closed":
        line.to_device = (lambda _: ()) if state == "opening" else line.to_device
        line.open()
    known = [*messages.BY_KIND, 0x00, 0x7F, 0xFE]
    for tail in bodies:
        kind = data.draw(st.sampled_from(known))
        session = data.draw(st.sampled_from([0, line.link.session, 9]))
        seq = data.draw(
            st.sampled_from([0, 1, line.link.lane.series.expected, line.link.handshake.open_seq, 0xFFFF_FFFF])
        )
        whole = bytes([0x10, kind]) + session.to_bytes(2, "little") + seq.to_bytes(4, "little") + tail
        line.carry(line.frame(data.draw(st.sampled_from([whole, tail]))))
        line.tick(ms=data.draw(st.integers(1, 300)))


def test_unknown_kinds_and_payloads_that_do_not_fit_are_counted() -> None:
    line = Line()
    line.open()
    session = line.link.session.to_bytes(2, "little")
    for kind, tail in ((0x7E, b""), (0xFE, b""), (messages.Status.KIND, b"short"), (messages.Slow.KIND, b"")):
        line.carry(line.frame(bytes([0x10, kind]) + session + bytes(4) + tail))
    line.carry(line.frame(b"\x10"))
    counters = line.link.counters
    assert (counters.unknown, counters.unknown_must, counters.malformed) == (2, 1, 3)
    assert line.faults() == ["malformed"], "told once, counted thrice"
    assert line.state == "running"


def test_a_message_that_only_the_host_sends_does_not_count_as_an_answer() -> None:
    line = Line()
    line.open()
    before = line.link.counters.echoed
    line.carry(line.frame(line.sent[0]))
    assert parse_message(line.sent[0]) is not None
    assert line.link.counters.echoed == before + 1


def test_the_device_is_not_halted_when_its_set_up_is_ours() -> None:
    line = Line()
    line.open()
    line.stream(3)
    line.device.seen.clear()
    line.lose()
    line.open()
    assert kinds(line) == ["Open"]
    assert line.device.state == DeviceState.RUNNING
    assert line.sessions()[-1].resumed
    assert not line.sessions()[-1].new_boot


def test_other_settings_are_what_the_device_is_asked_for() -> None:
    line = Line(link=Link.start(LinkSettings(10_000_000, 100, 500, stream=1), 3))
    line.open()
    assert messages.Setup(10_000_000, 100, 500, 1, 0) in line.device.seen
