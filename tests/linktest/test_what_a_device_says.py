"""What a test tells of the device besides its stream: firmware, inputs, events, round trips, remarks."""

import json
from collections.abc import Sequence
from dataclasses import replace

from tests.acquisition.fake_device import FIRMWARE_REPLY, SHEET
from tests.linktest.pattern_device import DevicePort, PatternDevice
from tests.linktest.playing import Played

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import parse_header
from nightturn_protocol.messages import DeviceState


def test_firmware_is_asked_for_where_the_sheet_names_it() -> None:
    firmware = Played().report.firmware
    assert firmware is not None
    assert firmware.build == "quillfen 1.0.0"
    assert firmware.flash_crc == f"{FIRMWARE_REPLY.flash_crc:08x}"
    assert firmware.failed_self_tests == ("CRC-32C (test 0)", "device sheet (test 2)")
    assert firmware.crash is not None
    assert (firmware.crash.pc, firmware.crash.cause) == ("08001234", 3)


def test_a_device_without_the_feature_is_not_asked() -> None:
    played = Played(PatternDevice(sheet=json.dumps({**SHEET, "features": ["pattern"]}).encode()))
    assert played.report.firmware is None
    assert not [message for message in played.port.heard if isinstance(message, wire.Firmware)]


def test_inputs_are_told_by_name_and_events_are_kept() -> None:
    def script(port: DevicePort, step: int) -> None:
        if step in {20, 21}:
            port.say(port.device.event(7))

    report = Played(script=script).report
    assert report.state is not None
    assert report.state.inputs == {"guard_closed": True, "stop_chain_healthy": True}
    assert report.state.lease == "off"
    assert report.state.outputs_on == ()
    assert report.events == ("input 2 stop_chain_healthy went on (info, number 7)",)


def test_round_trips_leave_out_what_the_device_takes_to_answer() -> None:
    trips = Played(PatternDevice(turnaround_ticks=900)).report.round_trips
    assert trips.answered == trips.sent > 40
    assert trips.turnaround_max_us == 900
    assert sum(each.count for each in trips.bins) == trips.answered


def test_remarks_name_what_a_sheet_should_not_have() -> None:
    report = Played(PatternDevice()).report  # this sheet is padded with spaces
    assert report.remarks == ("the sheet has space between its tokens",)
    assert report.ok


def test_a_session_of_another_host_is_taken_over_cleanly() -> None:
    device = PatternDevice(state=DeviceState.RUNNING, session=9)
    device.produce(5)
    report = Played(device).report
    assert report.ok
    assert report.host.foreign_session == 0


def test_a_firmware_that_does_not_answer_what_its_sheet_promises_is_found() -> None:
    def deaf(body: bytes) -> Sequence[bytes]:
        return () if parse_header(body).kind == wire.Firmware.KIND else (body,)

    played = Played(to_device=deaf)
    assert played.found == {"request_failed"}
    assert "FIRMWARE was not answered, or refused" in played.report.sentence


def test_the_same_device_tested_twice_gives_the_same_result() -> None:
    one, other = Played().report, Played().report
    assert replace(one, port="") == replace(other, port="")


def test_a_sheet_and_an_opened_that_name_two_clocks_are_found() -> None:
    sheet = json.dumps({**SHEET, "tick_hz": 2_000_000}).encode()
    assert "clocks_disagree" in Played(PatternDevice(sheet=sheet)).found
