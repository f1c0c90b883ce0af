"""`linktest`: what it prints, what JSON holds, and how it ends."""

import asyncio
import json
import os
import pty
import socket
import sys
from dataclasses import fields
from pathlib import Path

import pytest
from tests.cli.terminal import sentences, too_wide, typed

from nightturn.bench.worlds import RealClock
from nightturn.cli.output import print_verdict
from nightturn.linktest import core
from nightturn.linktest.report import COUNTERS, Report
from nightturn.transport.serial_port import SerialPort

GOOD = "virtual:pan15?seed=7"
BRIEF = ["--seconds", "0.5", "--rate", "1000"]


SAID = (
    "device: virtual pan15",
    "wire                        device 1.1, host 1.1",
    "started by power",
    "as OPENED says",
    "features                    drive, extremes, firmware, outputs, pattern",
    "self-test      passed",
    "guard_closed on",
    "outputs on      none",
    "off (not a safety function)",
    "blocks_overwritten_unsent  0      0    +0",
    "bad frames                   0 (COBS 0, CRC 0, short 0, long 0)",
    "probes answered",
    " µs ",
    "offset known within",
    "ppm",
    "set up                     1000 Hz in blocks of 100",
    "wrong bits                 0 in 0 samples",
)


def test_a_good_line_ends_with_0_and_its_verdict_comes_last(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["linktest", GOOD, *BRIEF], capsys)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert " ".join(lines[:2]) == (
        "virtual pan15 answers; test pattern for 0.5 s; nothing is moved: no motion lease, no drive command"
    )
    assert too_wide(out) == []
    assert [words for words in SAID if words not in out] == []
    assert lines[-1].startswith("GOOD: all ")
    assert lines[-1].endswith(" samples arrived and no bit was wrong")


def test_json_is_the_whole_result_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["linktest", GOOD, *BRIEF, "--json"], capsys)
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert set(told) == {field.name for field in fields(Report)}
    assert (told["ok"], told["verdict"], told["port"]) == (True, "good", GOOD)
    assert set(told["counters"]) == set(COUNTERS)
    assert told["pattern"]["wrong_bits"] == 0
    assert told["pattern"]["samples"] > 300
    assert told["device"]["sheet"]["inputs"][0] == "guard_closed"
    assert sum(each["count"] for each in told["round_trips"]["bins"]) == told["round_trips"]["answered"]


def test_a_line_that_is_lost_ends_with_1(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["linktest", f"{GOOD}&fault=outage@500ms", "--rate", "1000"], capsys)
    assert (code, err) == (1, "")
    assert out.splitlines()[-1].startswith("FAILED: ")
    assert "the line was lost while streaming" in out


def test_a_long_verdict_is_whole_in_a_pipe_and_broken_on_a_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said = "FAILED: 3 bits were wrong in 2 samples; 100 samples were lost on the line; the device halted by itself"
    print_verdict(said)
    assert capsys.readouterr().out == f"{said}\n"
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    print_verdict(said)
    out = capsys.readouterr().out
    assert too_wide(out) == []
    assert sentences(out) == [said]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([GOOD, "--rate", "333"], "--rate: the device does not sample at 333 Hz; allowed: 100, 200, 250"),
        (
            [GOOD, "--baud", "1200"],
            "--baud: no rate of the device's sheet fits into 70 % of a line of 1200 baud",
        ),
        ([GOOD, "--rate", "10000", "--baud", "115200"], "fill 478 % of a line of 115200 baud"),
        (["virtual:pan99"], "pan99"),
        (["socket://nowhere"], "PORT: 'socket://nowhere' is not an address; allowed: socket://host:port"),
        ([GOOD, "--seconds", "0.1"], "--seconds"),
        ([], "PORT"),
    ],
)
def test_what_cannot_be_asked_for_ends_with_2(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = typed(["linktest", *arguments], capsys)
    assert (code, out) == (2, "")
    assert words in err


def test_a_port_that_is_not_there_ends_with_3(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["linktest", str(tmp_path / "nothing")], capsys)
    assert (code, out) == (3, "")
    assert "there is no such port; plug the device in, or list the ports with `nightturn ports`" in err


def test_a_port_that_another_program_holds_ends_with_3(capsys: pytest.CaptureFixture[str]) -> None:
    _, slave = pty.openpty()
    name = os.ttyname(slave)

    async def hold() -> SerialPort:
        port = SerialPort(name, RealClock())
        port.open(lambda _stamp, _bytes: None, lambda _reason: None)
        return port

    loop = asyncio.new_event_loop()
    held = loop.run_until_complete(hold())
    try:
        code, _, err = typed(["linktest", name], capsys)
    finally:
        held.close()
        loop.close()
    assert code == 3
    assert err == f"nightturn: {name}: the port is busy: another program holds it; close that program\n"


def test_a_device_that_never_answers_ends_with_3_and_says_what_to_check(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(core, "ANSWER_NS_MAX", 1_000_000_000)
    with socket.create_server(("127.0.0.1", 0)) as bridge:  # takes a connection and says nothing
        code, out, err = typed(["linktest", f"socket://127.0.0.1:{bridge.getsockname()[1]}"], capsys)
    assert (code, out) == (3, "")
    lines = err.splitlines()
    assert lines[0] == "nightturn: the device does not answer OPEN"
    assert len(lines) > 5
    assert all(line.startswith("nightturn: ") for line in lines)
    assert "no other host holds the device" in err
