"""Device events in words: each code of the definition has a sentence, made of the names and units that people know."""

import dataclasses
import re
import tomllib
from pathlib import Path

import pytest

from nightturn.sentences.device_events import (
    INPUT_NAMES,
    RESET_CAUSES,
    SENTENCES,
    TITLES,
    DeviceWords,
    device_event,
    is_routine,
    reset_cause,
    title,
)
from nightturn_protocol import messages as wire
from nightturn_protocol.messages import EventCode, Input

DEFINITION = tomllib.loads(
    (Path(__file__).resolve().parents[2] / "protocol" / "definition.toml").read_text(encoding="utf-8")
)
CODES = next(enum["values"] for enum in DEFINITION["enum"] if enum["name"] == "EventCode")
UNKNOWN = max(CODES.values()) + 1
WORDS = DeviceWords(
    inputs=("guard_closed", "stop_chain_healthy", "drive_fault", "user_1"),
    slow={1: "winding"},
    torque_unit="N·m",
    torque_scale=0.001,
    torque_zero=100.0,
)
GUARD, CHAIN, READY, INDEX = (
    int(Input.GUARD_CLOSED),
    int(Input.STOP_CHAIN_HEALTHY),
    int(Input.DRIVE_READY),
    int(Input.INDEX_SEEN),
)
GO = "; CLEAR needed, which `go` sends"


def event(code: int, a: int = 0, b: int = 0, *, latched: bool = False) -> wire.Event:
    return wire.Event(1000, 4, a, b, code, 1, int(latched))


@pytest.mark.parametrize(
    ("code", "a", "b", "sentence"),
    [
        (EventCode.BOOT, 2, 0, "device started: watchdog"),
        (EventCode.BOOT, 77, 0, "device started: cause 77, which this version does not know"),
        (EventCode.INPUT_CHANGED, GUARD, 256, "input 1 guard_closed went off; input 9 user_1 went on"),
        (EventCode.INPUT_CHANGED, 0, 512, "input 10 went on"),
        (EventCode.INPUT_CHANGED, 3, 3, "inputs reported as changed, but all are as before"),
        (
            EventCode.LEASE_LAPSED,
            3,
            0,
            "motion lease ran out with turning drive and actuator on; the device turned everything off",
        ),
        (EventCode.TORQUE_TRIP, 19_100, 18_000, "torque trip: 19 N·m, the device's own limit is 17.9 N·m"),
        (
            EventCode.TORQUE_TRIP,
            -19_100,
            18_000,
            "torque trip: −19.2 N·m, the device's own limit is −18.1 N·m",
        ),
        (
            EventCode.ADC_SATURATED,
            20_100,
            0,
            "torque signal at the end of its range (20 N·m); look at the bridge cable and its plug",
        ),
        (
            EventCode.ADC_SATURATED,
            3_000,
            -20_100,
            "torque signal at the end of its range (−20.2 N·m); look at the bridge cable and its plug",
        ),
        (
            EventCode.BRIDGE_OPEN,
            0,
            0,
            "bridge open, or its converter is silent; look at the bridge cable and its plug",
        ),
        (
            EventCode.OVER_TEMPERATURE,
            1,
            90,
            "winding is above the device's own limit of 90 °C, or has no reading",
        ),
        (
            EventCode.OVER_TEMPERATURE,
            5,
            90,
            "slow channel 5 is above the device's own limit of 90 °C, or has no reading",
        ),
        (EventCode.DRIVE_FAULT, 1, 0, "drive fault (input 4 drive_fault); look at the drive's display"),
        (EventCode.GUARD_OPENED, 1, 0, "guard opened (input 1 guard_closed) with turning drive on"),
        (EventCode.GUARD_OPENED, 0, 0, "guard opened (input 1 guard_closed)"),
        (
            EventCode.ENCODER_FAULT,
            12,
            0,
            "encoder fault: no valid angle; look at the encoder cable and its plug",
        ),
        (EventCode.STOP_CHAIN, 2, 0, "stop chain opened (input 2 stop_chain_healthy) with actuator on"),
        (EventCode.OUTPUT_EXPIRED, 3, 0, "warning lamp switched off by itself: not renewed in time"),
        (EventCode.OUTPUT_EXPIRED, 6, 0, "output 6 switched off by itself: not renewed in time"),
        (
            UNKNOWN,
            215,
            151,
            f"device event of code {UNKNOWN}, which this version does not know; values 215 and 151",
        ),
    ],
)
def test_an_event_is_a_sentence_made_of_its_values(code: int, a: int, b: int, sentence: str) -> None:
    assert device_event(event(code, a, b), WORDS) == sentence


@pytest.mark.parametrize("code", CODES.values(), ids=CODES)
def test_every_code_of_the_definition_has_a_sentence_and_a_title_without_bare_numbers(code: int) -> None:
    named = dataclasses.replace(WORDS, inputs=tuple(INPUT_NAMES.values()))
    said = device_event(event(code, 1, 90), named)
    behind_a_number = "|".join(["N·m", "mN·m", "°C", *INPUT_NAMES.values()])

    assert code in SENTENCES
    assert code in TITLES
    assert "does not know" not in said + title(code)
    assert not re.search(rf"\d(?![.\d]|(?: (?:{behind_a_number})\b))", said)


@pytest.mark.parametrize("code", [*CODES.values(), UNKNOWN])
def test_a_latched_event_says_that_clear_is_needed_and_who_sends_it(code: int) -> None:
    plain, latched = device_event(event(code), WORDS), device_event(event(code, latched=True), WORDS)
    by_itself = "; CLEAR needed, which the host sends by itself"

    assert "CLEAR" not in plain
    assert latched == plain + (by_itself if code == EventCode.LEASE_LAPSED else GO)


@pytest.mark.parametrize("cause", list(wire.ResetCause))
def test_every_reason_of_a_start_has_words(cause: wire.ResetCause) -> None:
    assert cause in RESET_CAUSES
    assert cause.name not in reset_cause(cause)


def test_without_sheet_and_calibration_numbers_say_what_they_are() -> None:
    bare = DeviceWords()

    assert device_event(event(EventCode.GUARD_OPENED, latched=True), bare) == f"guard opened (input 1){GO}"
    assert "5000 counts" in device_event(event(EventCode.ADC_SATURATED, 5000), bare)


@pytest.mark.parametrize(
    ("before", "after", "watched", "routine"),
    [
        (READY, 0, 0, True),
        (INDEX, INDEX | READY, 0, True),
        (GUARD, 0, GUARD | CHAIN, True),  # an intervention, which has its own sentence
        (GUARD, 0, 0, False),  # not wired as a guard: the change is all that is said of it
        (READY, int(Input.USER_1), 0, False),
        (0, int(Input.DRIVE_FAULT), GUARD | CHAIN, False),
        (0, 1 << 15, GUARD | CHAIN, False),  # an input of a later version
    ],
)
def test_what_changes_as_the_shaft_turns_is_routine_and_nothing_else(
    before: int, after: int, watched: int, routine: bool
) -> None:
    assert is_routine(event(EventCode.INPUT_CHANGED, before, after), watched) == routine


def test_no_other_event_is_routine() -> None:
    others = [code for code in CODES.values() if code != EventCode.INPUT_CHANGED]

    assert not any(is_routine(event(code, READY, 0), GUARD) for code in [*others, UNKNOWN])
