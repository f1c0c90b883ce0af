"""Numbers and bits of a device as names and words."""

import json
from dataclasses import replace

import pytest
from tests.acquisition.fake_device import SHEET, FakeDevice

from nightturn.linktest.device_facts import (
    event_text,
    firmware_facts,
    remarks_on,
    state_facts,
    stray_inputs,
)
from nightturn_protocol import messages as wire
from nightturn_protocol.sheet import DeviceSheet, parse_sheet


def written(**changes: object) -> bytes:
    return json.dumps({**SHEET, **changes}, separators=(",", ":"), sort_keys=True).encode()


def remarks(sheet: bytes, minor: int = 0) -> list[str]:
    opened = FakeDevice()._open(wire.Open(0, 0, 0, 0, 0, 5, 0, 1))
    newer = wire.Opened.decode(opened.encode()[:58] + bytes([minor]) + opened.encode()[59:])
    return list(remarks_on(newer, sheet, parse_sheet(sheet)))


def status(inputs: int, outputs: int = 0) -> wire.Status:
    return wire.Status.decode(bytes(72) + inputs.to_bytes(2, "little") + bytes([2, 1, outputs, 12]))


def test_a_canonical_sheet_has_no_remarks() -> None:
    assert remarks(written()) == []


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (json.dumps(SHEET, sort_keys=True).encode(), "space between its tokens"),
        (
            json.dumps(dict(reversed(SHEET.items())), separators=(",", ":")).encode(),
            "keys of the sheet are not sorted",
        ),
        (written(device="quillfen bö").decode("unicode_escape").encode(), "not ASCII"),
        (written(features=["drive"]), "does not name the feature 'pattern'"),
        (written(torque={"bits": 24, "scale": "1e-6", "unit": "N"}), "torque.unit is 'N'"),
        (written(inputs=["guard_closed", "door"]), "without a bit in the input word: door"),
        (written(rates_hz=[1000, 3000]), "do not divide tick_hz = 1000000: 3000"),
    ],
)
def test_each_slip_of_a_sheet_has_its_remark(sheet: bytes, words: str) -> None:
    (remark,) = remarks(sheet)
    assert words in remark


def test_space_inside_a_name_is_no_remark() -> None:
    assert remarks(written(device='a "b" c')) == []


def test_a_newer_minor_version_is_remarked() -> None:
    assert remarks(written(), minor=3) == [
        f"the device's minor version 3 is newer than this host's {wire.MINOR}"
    ]


def sheet_of(**changes: object) -> DeviceSheet:
    return parse_sheet(written(**changes))


def test_inputs_outputs_and_lease_have_names() -> None:
    sheet = sheet_of(inputs=["guard_closed", "drive_fault", "door"])
    facts = state_facts(status(inputs=0b1001, outputs=0b1001), sheet)
    assert facts.inputs == {"guard_closed": True, "drive_fault": True}
    assert facts.outputs_on == ("shunt", "lamp")
    assert (facts.state, facts.lease, facts.cpu_pct) == ("running", "live", 12)


def test_a_load_that_the_board_does_not_measure_is_none() -> None:
    assert state_facts(replace(status(inputs=0), cpu_pct=255), sheet_of()).cpu_pct is None


def test_a_bit_that_the_sheet_does_not_name_is_remarked() -> None:
    sheet = sheet_of(inputs=["guard_closed"])
    assert stray_inputs(status(inputs=1), sheet) == ""
    assert stray_inputs(status(inputs=0b1001), sheet).endswith("does not name: 0x0008")


def test_an_event_is_a_sentence_in_the_names_of_the_sheet() -> None:
    event = wire.Event(0, 4, 1, 2, int(wire.EventCode.GUARD_OPENED), int(wire.Severity.ALARM), 1)
    said = "guard opened (input 1) with turning drive on; CLEAR needed, which `go` sends (alarm, number 4)"
    assert event_text(event, None) == said
    assert event_text(event, parse_sheet(written())) == said.replace("input 1", "input 1 guard_closed")


def test_a_firmware_without_a_crash_remembers_none() -> None:
    facts = firmware_facts(wire.FirmwareReply(1, 2, 0, 0, 0, 0, b"b".ljust(32, b"\0")))
    assert facts.crash is None
    assert facts.failed_self_tests == ()
