"""Sessions: mute until OPEN, silent without a host, taken up again after a break; control answers exactly once."""

import hashlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.virtual.line import SESSION, HostSide

from nightturn.virtual.outlet import OUT_BYTES_MAX
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import MUST_UNDERSTAND, frame_body, pack_body, to_wire


def test_the_device_is_mute_until_open() -> None:
    host = HostSide()
    host.after(2000)
    for message in (
        wire.Setup(1_000_000, 100, 100, 0, 0),
        wire.Run(0),
        wire.Probe(1, 1, 0, 0),
        wire.Clear(0),
    ):
        host.put(message)
        host.put(message, session=0)
    host.device.receive(b"AT\r\n" * 20 + b"\0", host.now_ns)  # what a modem manager sends
    assert host.after(1000) == []
    assert host.wire_bytes == b""


def test_open_tells_who_the_device_is() -> None:
    host = HostSide()
    host.after(1500)
    opened = host.open()
    assert (opened.session, opened.resumed, opened.tick_hz, opened.ring_bytes) == (
        SESSION,
        0,
        1_000_000,
        65_536,
    )
    assert (opened.state, opened.reset_cause) == (wire.DeviceState.IDLE, wire.ResetCause.POWER)
    assert opened.boot_id != 0
    assert opened.uptime_tick == pytest.approx(1_500_000, abs=50)
    assert opened.next_index == 1501  # samples are taken and counted before any RUN
    assert opened.torque_min < opened.torque_max


def test_open_without_a_session_number_is_refused() -> None:
    host = HostSide()
    host.session = 0
    answer = host.ask(wire.Open(0, 1, 0, 0, 0, 0, 0, 1))
    assert isinstance(answer, wire.Refused)
    assert answer.reason == wire.Reason.OUT_OF_RANGE


def test_another_major_version_is_refused_by_name() -> None:
    host = HostSide()
    body = bytearray(frame_body(wire.Open(0, 1, 0, 0, 0, SESSION, 0, 1), SESSION, 9))
    body[0] = (wire.MAJOR + 1) << 4
    host.device.receive(to_wire(bytes(body)), host.now_ns)
    [(header, answer)] = host.listen()
    assert isinstance(answer, wire.Refused)
    assert (answer.reason, answer.detail, header.seq) == (wire.Reason.VERSION, wire.MAJOR, 9)


def test_the_sheet_comes_in_parts() -> None:
    host = HostSide()
    digest = host.open().digest
    sheet = b""
    while True:
        part = host.ask(wire.Sheet(len(sheet)))
        assert isinstance(part, wire.SheetPart)
        sheet += part.part
        if len(sheet) == part.total:
            break
    assert int.from_bytes(hashlib.sha256(sheet).digest()[:8], "little") == digest
    beyond = host.ask(wire.Sheet(len(sheet)))
    assert isinstance(beyond, wire.Refused)


def test_without_a_host_the_device_falls_silent_but_goes_on_sampling() -> None:
    host = HostSide().streaming()
    host.after(2900)
    assert host.blocks()
    host.after(200)
    heard = len(host.heard)
    assert host.after(4000) == []
    last = host.blocks()[-1]
    host.put(wire.EventAck(1))
    host.after(0)
    fresh = host.blocks()[len([m for _, m in host.heard[:heard] if isinstance(m, wire.Block)]) :]
    assert fresh[0].first_index == last.first_index + last.count  # the oldest unsent block goes first
    assert fresh[-1].first_index + fresh[-1].count > 7000
    assert host.after(500)


def test_a_silence_longer_than_the_ring_costs_the_oldest_blocks_and_is_counted() -> None:
    host = HostSide("pan15?ring_bytes=8192").streaming()
    host.after(10_000)
    host.after(0)
    sent = host.blocks()[-1]
    host.put(wire.EventAck(1))
    later = [m for _, m in host.after(100) if isinstance(m, wire.Block)]
    missing = (later[0].first_index - sent.first_index - sent.count) // 100
    assert missing > 0
    assert host.status().blocks_overwritten_unsent == missing


def test_a_session_taken_up_goes_on_with_its_data_sequence_and_its_ring() -> None:
    host = HostSide().streaming()
    host.after(1000)
    opened = host.opened()
    before = [header.seq for header, m in host.heard if isinstance(m, wire.Block)]
    host.session = 500  # another host process asks for its own number
    again = host.open(fresh=0, last=(opened.boot_id, SESSION), next_seq=before[-1] + 1)
    assert (again.resumed, again.session, again.next_seq) == (1, SESSION, before[-1] + 1)
    assert again.state == wire.DeviceState.RUNNING
    host.put(wire.Resend(before[0], 2))
    resent = [header.seq for header, m in host.listen() if isinstance(m, wire.Block)]
    assert resent == before[:2]
    after = [header.seq for header, m in host.after(300) if isinstance(m, wire.Block)]
    assert after == [before[-1] + 1, before[-1] + 2, before[-1] + 3]


@pytest.mark.parametrize("change", ["fresh", "boot", "session"])
def test_a_new_session_begins_otherwise_with_everything_stopped(change: str) -> None:
    host = HostSide().streaming()
    host.lease()
    host.drive(wire.DriveMode.SPEED, 1.0)
    host.after(500)
    opened = host.opened()
    boot_id = opened.boot_id + (change == "boot")
    last = (boot_id, SESSION + (change == "session"))
    stranger = wire.Open(0, 1, last[0], 3, last[1], 500, wire.MINOR, int(change == "fresh"))
    host.put(stranger, seq=900, session=500)
    refusals = [m for h, m in host.listen() if h.seq == 900 and m.LANE is wire.Lane.CONTROL]
    assert refusals == [wire.Refused(0, wire.Reason.NOT_NOW, wire.Open.KIND, 0)]
    assert not host.device.plant.drive.still(host.device.plant.index), "nobody takes over what turns"
    host.drive(wire.DriveMode.OFF)
    host.after(1000)  # the lease has ended by itself
    host.session = 500
    again = host.open(fresh=int(change == "fresh"), last=last, next_seq=3)
    assert (again.resumed, again.session, again.next_seq, again.oldest_seq) == (0, 500, 0, 0)
    assert again.state != wire.DeviceState.RUNNING
    assert not [m for _, m in host.after(1000) if isinstance(m, wire.Block)]
    assert host.device.plant.drive.still(host.device.plant.index)
    assert host.status().lease == wire.LeaseState.OFF


def test_a_frame_of_another_session_is_dropped_and_keeps_nobody_awake() -> None:
    host = HostSide().streaming()
    for _ in range(8):
        host.after(500)
        host.put(wire.Halt(), session=SESSION + 1)
    assert host.after(500) == []
    assert host.device.truth_log()["strays"] == 8


def test_close_ends_the_session_and_makes_the_device_mute() -> None:
    host = HostSide().streaming()
    host.lease()
    host.ask(wire.Switch(1000, wire.Output.LAMP, 1))
    assert isinstance(host.ask(wire.Close()), wire.Done)
    assert host.after(1000) == []
    assert host.open().state == wire.DeviceState.READY
    host.after(200)
    assert host.status().outputs == 0


def test_a_retried_request_is_answered_again_and_carried_out_once() -> None:
    host = HostSide().streaming()
    host.lease()
    request = wire.Drive(5000, 1 << 62, 1, 1.0, 0.0, 2.0, wire.Axis.DRIVE, wire.DriveMode.TRAVEL, 0)
    frame = host.put(request)
    first = [m for _, m in host.listen() if isinstance(m, wire.DriveReply)]
    assert first[0].accepted
    host.after(700)
    host.lease()
    where = host.device.plant.position_counts
    host.device.receive(frame, host.now_ns)
    assert [m for _, m in host.listen() if isinstance(m, wire.DriveReply)] == first
    host.after(700)
    assert host.device.plant.position_counts == where  # it did not travel twice


def test_only_the_last_answers_are_kept() -> None:
    host = HostSide()
    host.open()
    frame = host.put(wire.Setup(1_000_000, 100, 100, 0, 0))
    [(_, first)] = [pair for pair in host.listen() if isinstance(pair[1], wire.SetupReply)]
    for _ in range(wire.REPLIES_KEPT):
        host.ask(wire.Sheet(0))
    host.device.receive(frame, host.now_ns)
    [(_, again)] = [pair for pair in host.listen() if isinstance(pair[1], wire.SetupReply)]
    assert isinstance(first, wire.SetupReply)
    assert isinstance(again, wire.SetupReply)
    assert again.config_epoch == first.config_epoch + 1


def test_probes_are_stamped_anew_each_time() -> None:
    host = HostSide()
    host.open()
    frame = host.put(wire.Probe(5, 123, 0, 0))
    host.listen()
    host.now_ns += 1_000_000
    host.device.receive(frame, host.now_ns)
    host.listen()
    ticks = [(m.tick_rx, m.tick_tx) for _, m in host.heard if isinstance(m, wire.Probed)]
    assert len(ticks) == 2
    assert ticks[1][0] - ticks[0][0] == pytest.approx(1000, abs=1)
    assert all(rx == tx for rx, tx in ticks)


def test_an_unknown_kind_is_refused_or_ignored_by_its_top_bit() -> None:
    host = HostSide()
    host.open()
    host.listen()
    host.device.receive(to_wire(pack_body(0x7E, host.session, 1, b"what")), host.now_ns)
    assert host.listen() == []
    host.device.receive(to_wire(pack_body(MUST_UNDERSTAND | 0x7E, host.session, 2, b"what")), host.now_ns)
    [(_, refused)] = host.listen()
    assert refused == wire.Refused(0, wire.Reason.UNKNOWN_KIND, MUST_UNDERSTAND | 0x7E, 0)


def test_a_payload_too_short_is_refused_as_malformed() -> None:
    host = HostSide()
    host.open()
    host.listen()
    host.device.receive(to_wire(pack_body(wire.Setup.KIND, host.session, 3, b"\1\2")), host.now_ns)
    [(_, refused)] = host.listen()
    assert refused == wire.Refused(0, wire.Reason.MALFORMED, wire.Setup.KIND, 0)


def test_firmware_information_is_plausible() -> None:
    host = HostSide()
    host.open()
    reply = host.ask(wire.Firmware())
    assert isinstance(reply, wire.FirmwareReply)
    assert (reply.self_test, reply.crash_pc) == (0, 0)
    assert reply.build.rstrip(b"\0")


def test_a_crash_is_remembered_over_the_resets_after_it() -> None:
    host = HostSide("pan15?seed=7&fault=crash@1s,reset@2s")
    causes = []
    for _ in range(3):
        causes.append(host.open().reset_cause)
        reply = host.ask(wire.Firmware())
        assert isinstance(reply, wire.FirmwareReply)
        crash = (reply.crash_pc, reply.crash_lr, reply.crash_cause)
        assert crash == ((0, 0, 0) if len(causes) == 1 else (0x0800_1A2C, 0x0800_1A11, 3))
        host.after(1000)
    assert causes == [wire.ResetCause.POWER, wire.ResetCause.FAULT, wire.ResetCause.WATCHDOG]


def test_a_failed_self_test_shows_in_the_firmware_information() -> None:
    host = HostSide("pan15?self_test=6")
    host.open()
    reply = host.ask(wire.Firmware())
    assert isinstance(reply, wire.FirmwareReply)
    assert reply.self_test == 6


def test_features_that_the_sheet_does_not_name_are_refused_as_unsupported() -> None:
    host = HostSide("pan15?without=extremes,firmware,outputs")
    host.open()
    part = host.ask(wire.Sheet(0))
    assert isinstance(part, wire.SheetPart)
    assert b'"features":["drive","pattern"]' in part.part
    for request in (wire.Extremes(0), wire.Firmware(), wire.Switch(100, wire.Output.SHUNT, 1)):
        assert host.ask(request) == wire.Refused(0, wire.Reason.UNSUPPORTED, request.KIND, 0)


def test_a_hundred_thousand_random_bytes_harm_nothing() -> None:
    host = HostSide().streaming()
    noise = np.random.default_rng(8).integers(0, 256, 100_000, np.uint8).tobytes()
    calm = HostSide().streaming()
    for start in range(0, len(noise), 1000):
        host.device.receive(noise[start : start + 1000], host.now_ns)
        host.after(10)
        calm.after(10)
    host.device.receive(b"\0", host.now_ns)
    assert host.blocks() == calm.blocks()
    host.after(100)
    status = host.status()
    assert status.rx_bad_cobs + status.rx_bad_crc + status.rx_oversize > 100
    assert isinstance(host.ask(wire.Halt()), wire.Done)


@given(st.lists(st.binary(max_size=80), max_size=12))
@settings(max_examples=25, deadline=None)
def test_no_bytes_raise_even_inside_a_session(pieces: list[bytes]) -> None:
    host = HostSide().streaming()
    boot_id = host.opened().boot_id
    for number, piece in enumerate(pieces):
        session = host.device.session or 1
        body = pack_body(0x80 + number % 0x20, session, number, piece)
        host.device.receive(piece + b"\0" + to_wire(body), host.now_ns)
        host.after(20)
    host.session = SESSION
    assert host.open().boot_id == boot_id
    host.ask(wire.Halt())
    host.set_up()
    host.ask(wire.Run(0))
    assert any(isinstance(m, wire.Block) for _, m in host.after(500))


def test_output_is_bounded_when_nobody_reads_it() -> None:
    host = HostSide().streaming(rate_hz=10_000)
    for _ in range(120):
        host.now_ns += 250_000_000
        host.device.receive(to_wire(frame_body(wire.Probe(1, 1, 0, 0), host.session, 1)), host.now_ns)
    data = host.device.take_output()
    assert len(data) <= OUT_BYTES_MAX
    host.after(100)
    assert host.status().tx_stalls > 0
    assert host.status().blocks_overwritten_unsent > 0


def test_a_new_session_is_told_what_is_latched_though_another_host_has_acknowledged_it() -> None:
    host = HostSide().streaming()
    host.device._guard(closed=False)
    (opened,) = [m for _, m in host.after(50) if isinstance(m, wire.Event) and m.latched]
    host.put(wire.EventAck(opened.event_no))
    assert not [m for _, m in host.after(1000) if isinstance(m, wire.Event) and m.latched]
    host.session = 500
    host.open()
    assert opened in [m for _, m in host.after(300) if isinstance(m, wire.Event)]


def test_the_newest_block_that_status_names_is_one_that_was_sent() -> None:
    host = HostSide().streaming()
    host.after(500)
    ring = host.device._firmware.ring
    ring.next_send -= 2  # two blocks wait for the line
    assert host.device._firmware._status(0, 0).newest_seq == ring.next_seq - 3


def test_the_overload_memory_outlives_sessions_until_the_host_has_recorded_it() -> None:
    host = HostSide().streaming()
    first = host.ask(wire.Extremes(0))
    assert isinstance(first, wire.ExtremesReply)
    assert first.samples > 0
    plant_extremes = (first.torque_min, first.torque_max)
    host.ask(wire.Close())
    host.session = 500
    host.open()
    second = host.ask(wire.Extremes(0))
    assert isinstance(second, wire.ExtremesReply)
    assert second.since_tick == first.since_tick
    assert second.torque_min <= plant_extremes[0]
    assert second.torque_max >= plant_extremes[1]
    host.after(100)
    third = host.ask(wire.Extremes(second.memory_no))
    assert isinstance(third, wire.ExtremesReply)
    assert third.since_tick > second.since_tick
    assert third.samples == pytest.approx(100, abs=5)
