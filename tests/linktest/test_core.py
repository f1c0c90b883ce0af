"""The link test against a scripted device in virtual time: what is planted is found, and nothing else."""

import json
from collections.abc import Callable, Sequence

import pytest
from tests.acquisition.fake_device import SHEET
from tests.linktest.pattern_device import Bend, DevicePort, PatternDevice
from tests.linktest.playing import Played, wanted

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import to_wire
from nightturn_protocol.messages import SampleFlag

CANONICAL = json.dumps(SHEET, separators=(",", ":"), sort_keys=True).encode()
TORQUE_AT = 8 + 36  # in a body, behind frame header and block header
ENCODER_AT = TORQUE_AT + 3 * 100


def flipped(body: bytes, at: int, bit: int = 0) -> bytes:
    """One wrong bit; the line's CRC is made afterwards, so it cannot know."""
    changed = bytearray(body)
    changed[at] ^= 1 << bit
    return bytes(changed)


def once(number: int, change: Callable[[bytes], Sequence[bytes]]) -> Bend:
    """What happens to the block of this number when it is sent for the first time."""
    left = [number]

    def bend(seq: int, body: bytes) -> Sequence[bytes]:
        if seq not in left:
            return (body,)
        left.remove(seq)
        return change(body)

    return bend


def lost(_body: bytes) -> Sequence[bytes]:
    return ()


def skip(port: DevicePort, step: int) -> None:
    """The device skips thirty samples and goes on."""
    if step == 50:
        for body in port.device.produce(lose_samples=30):
            port.say(body)


def test_a_sound_device_on_a_sound_line_is_good() -> None:
    played = Played(PatternDevice(sheet=CANONICAL))
    report = played.report
    assert report.ok
    assert report.verdict == "good"
    assert report.sentence == f"GOOD: all {report.pattern.samples} samples arrived and no bit was wrong"
    assert report.findings == ()
    assert report.remarks == ()
    assert report.pattern.samples == played.device.next_index >= 19_000
    assert report.pattern.rate_hz == 10_000
    assert report.host.frames > 200
    assert report.host.bad_crc == report.host.gaps == report.host.resend_requests == 0
    assert set(report.counters) >= {"rx_bad_crc", "resent", "blocks_overwritten_unsent"}


def test_nothing_is_ever_asked_to_move_or_to_switch() -> None:
    played = Played()
    asked = {type(message) for message in played.port.heard}
    assert asked == {
        wire.Open,
        wire.Sheet,
        wire.Setup,
        wire.Run,
        wire.Firmware,
        wire.Probe,
        wire.Halt,
        wire.Close,
    }


def test_the_session_is_fresh_and_closed_at_the_end() -> None:
    played = Played()
    opened = next(message for message in played.port.heard if isinstance(message, wire.Open))
    assert opened.fresh == 1
    assert isinstance(played.port.heard[-1], wire.Close)
    assert played.report.closed
    assert played.port.closed == 1


def test_a_flipped_bit_behind_a_good_crc_is_found() -> None:
    report = Played(bend=once(20, lambda body: (flipped(body, TORQUE_AT + 3 * 7, 5),))).report
    assert not report.ok
    assert report.verdict == "failed"
    assert (report.pattern.wrong_bits, report.pattern.wrong_samples) == (1, 1)
    assert report.sentence.startswith("FAILED: 1 bit was wrong in 1 sample")
    (finding,) = report.findings
    assert finding.detail.startswith("sample 2007: torque ")
    assert report.host.bad_crc == 0


def test_a_wrong_encoder_step_is_one_bit_and_all_the_samples_behind_it() -> None:
    report = Played(bend=once(20, lambda body: (flipped(body, ENCODER_AT + 2 * 60),))).report
    assert (report.pattern.wrong_bits, report.pattern.wrong_samples) == (1, 40)
    (finding,) = report.findings
    assert finding.kind == "wrong_bits"
    assert finding.detail == "sample 2060: encoder 76219 instead of 76220"


def test_a_skipped_index_without_after_gap_is_a_loss_and_a_lie() -> None:
    played = Played(PatternDevice(skip_marked=False), script=skip)
    assert played.found == {"gap_not_marked"}
    assert played.report.pattern.missing == {"device": 30}
    assert "30 samples were lost in the device" in played.report.sentence
    assert (
        "the sample number jumps to 4930 with no block lost, but AFTER_GAP is not set"
        in played.report.sentence
    )
    assert not played.report.ok


def test_a_skipped_index_that_the_device_owns_up_to_is_a_loss_and_no_more() -> None:
    played = Played(script=skip)
    assert played.found == set()
    assert played.report.pattern.missing == {"device": 30}
    assert not played.report.ok


def test_a_lost_block_that_comes_again_is_told_but_good() -> None:
    report = Played(bend=once(20, lost)).report
    assert report.ok
    assert report.verdict == "repaired"
    assert report.pattern.repaired_blocks == 1
    assert report.host.resend_requests >= 1
    assert report.pattern.missing == {}
    assert report.sentence.startswith("GOOD AFTER REPAIR: all ")
    assert report.sentence.endswith("1 block had to be sent again (RESEND)")


def test_a_lost_block_that_is_gone_from_the_ring_fails() -> None:
    def lose(port: DevicePort, step: int) -> None:
        if step == 22:
            port.device.ring.pop(20)

    report = Played(bend=once(20, lost), script=lose).report
    assert report.pattern.missing == {"link": 100}
    assert report.host.abandoned == 1
    assert [(gap.cause, gap.index_from, gap.index_to) for gap in report.pattern.gaps] == [
        ("link", 2000, 2100)
    ]
    assert report.sentence == "FAILED: 100 samples were lost on the line"


def test_a_device_that_does_not_hear_resend_fails_when_the_patience_is_over() -> None:
    report = Played(PatternDevice(hears_resend=False), bend=once(20, lost)).report
    assert report.pattern.missing == {"link": 100}
    assert report.host.resend_requests > 1
    assert report.verdict == "failed"


def test_the_last_block_is_proven_too() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.bend = (lambda _seq, _body: ()) if step >= 195 else port.bend

    report = Played(PatternDevice(hears_resend=False), script=script).report
    assert {finding.kind for finding in report.findings} == {"tail_lost"}
    assert report.pattern.tail_blocks_lost >= 4
    assert not report.ok


def test_a_lost_tail_that_comes_again_is_repaired() -> None:
    missed: list[int] = []

    def bend(seq: int, body: bytes) -> Sequence[bytes]:
        if seq >= 195 and seq not in missed:
            missed.append(seq)
            return ()
        return (body,)

    played = Played(bend=bend)
    assert len(missed) >= 4
    assert played.report.verdict == "repaired"
    assert played.report.pattern.samples == played.device.next_index


def test_after_gap_where_no_gap_is_is_found() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.device.first = port.device.first or step == 60

    played = Played(script=script)
    assert played.found == {"gap_marked_in_vain"}
    assert not played.report.ok


def test_a_tick_that_is_a_sample_late_is_found() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.device.tick_slip = 100 if step >= 60 else 0

    played = Played(script=script)
    assert played.found == {"tick_not_nominal"}
    assert played.report.pattern.tick_off_samples == pytest.approx(1.0)
    assert played.report.findings[0].count == 1


def test_a_tick_that_the_device_does_not_vouch_for_is_not_judged() -> None:
    device = PatternDevice(flags=int(SampleFlag.TEST_PATTERN | SampleFlag.TICK_UNCERTAIN))

    def script(port: DevicePort, step: int) -> None:
        port.device.tick_slip = 100 if step >= 60 else 0

    assert Played(device, script=script).found == set()


@pytest.mark.parametrize("lacks", [{"flags": 0}, {"stream": int(wire.Stream.BRIDGE)}])
def test_blocks_that_do_not_say_that_they_are_a_pattern_are_found(lacks: dict[str, int]) -> None:
    assert Played(PatternDevice(**lacks)).found == {"not_marked_as_pattern"}  # type: ignore[arg-type]  # numbers


def test_a_device_that_samples_too_slowly_is_found() -> None:
    played = Played(produces=lambda step: step % 2 == 0)
    assert "too_few_samples" in played.found


def test_a_device_that_streams_nothing_is_found() -> None:
    played = Played(produces=lambda _step: False)
    assert played.found == {"too_few_samples"}
    assert "no sample arrived" in played.report.sentence


def test_an_index_that_goes_back_is_found() -> None:
    def script(port: DevicePort, step: int) -> None:
        if step == 50:
            port.device.next_index -= 100
            port.device.tick_slip = 10_000

    played = Played(script=script)
    assert "block_impossible" in played.found
    assert not played.report.ok


def test_damaged_frames_are_counted_by_what_is_wrong_with_them() -> None:
    def script(port: DevicePort, step: int) -> None:
        if step in {30, 31}:
            frame = bytearray(to_wire(port.device.status()))
            frame[10] ^= 0x01 if frame[10] ^ 0x01 else 0x02
            port._say_raw(bytes(frame))

    report = Played(script=script).report
    assert report.host.bad_crc + report.host.bad_cobs == 2
    assert report.verdict == "repaired"
    assert "2 frames were damaged on the way here" in report.sentence


def test_damage_on_the_way_to_the_device_shows_in_its_counters() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.device.rx_bad_crc = 4 + (3 if step > 60 else 0)

    report = Played(script=script).report
    counter = report.counters["rx_bad_crc"]
    assert (counter.start, counter.end, counter.difference) == (4, 7, 3)
    assert report.verdict == "repaired"
    assert "3 frames or bytes were damaged on the way to the device" in report.sentence


def test_a_counter_that_wraps_has_a_small_difference() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.device.rx_bad_crc = 0xFFFF_FFFF if step < 60 else 1

    assert Played(script=script).report.counters["rx_bad_crc"].difference == 2


def test_a_restart_in_the_middle_is_found_and_named() -> None:
    def script(port: DevicePort, step: int) -> None:
        if step == 60:
            port.device.reboot(0xB008)

    played = Played(script=script, ask=wanted(5.0))
    assert {"silent", "restarted"} <= played.found
    assert played.report.host.restarts == 1
    assert played.report.device.boot_id == "0000b007"
    assert "its boot is now 0000b008" in played.report.sentence
    assert played.report.closed


def test_a_device_that_falls_silent_for_good_ends_the_test_early() -> None:
    def script(port: DevicePort, step: int) -> None:
        port.mute = step >= 60

    played = Played(script=script, ask=wanted(50.0))
    assert {"silent", "device_gone"} <= played.found
    assert not played.report.closed
    assert played.report.pattern.seconds < 10


def test_a_line_that_is_lost_in_the_middle_is_a_finding() -> None:
    def script(port: DevicePort, step: int) -> None:
        if step == 60:
            port.on_lost("the line was closed")

    played = Played(script=script)
    assert "line_lost" in played.found
    assert "the line was lost while streaming: the line was closed" in played.report.sentence
    assert played.port.closed == 1


def test_a_device_that_does_not_halt_is_found() -> None:
    played = Played(PatternDevice(halts=False))
    assert {"request_failed", "not_halted"} <= played.found


def test_a_stop_by_hand_judges_what_came_and_closes_the_device() -> None:
    played = Played(ask=wanted(50.0), stop_after_s=3.0)
    report = played.report
    assert report.verdict == "interrupted"
    assert not report.ok
    assert report.sentence.startswith("INTERRUPTED after 3.0 s: until then all ")
    assert report.pattern.samples >= 25_000
    assert report.closed


def test_a_stop_by_hand_when_the_pattern_is_over_changes_nothing() -> None:
    assert Played(ask=wanted(2.0), stop_after_s=2.05).report.verdict == "good"


def test_a_stream_of_which_no_block_ever_comes_is_a_lost_tail() -> None:
    played = Played(bend=lambda _seq, _body: ())
    assert played.found == {"tail_lost", "too_few_samples"}
    assert played.report.pattern.tail_blocks_lost == played.device.next_seq >= 190
    assert "no sample arrived" in played.report.sentence
