"""`nightturn alarms`: what it lists with and without a daemon, what it asks, what it refuses before anybody is asked."""

import json
from pathlib import Path

import pytest
from tests.cli.terminal import sentences
from tests.storage.test_alarm_log import RESTARTED, path_of
from tests.storage.test_alarm_log import said as written

from nightturn.alarms.words import Acknowledge, SetAside, Sign
from nightturn.cli import asking, main
from nightturn.daemon.control_protocol import VERSION, Answer, Request

START_S = 1_790_000_000


def printed(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    with pytest.raises(SystemExit) as ended:
        main(["alarms", *arguments])
    assert ended.value.code == code
    found = capsys.readouterr()
    return " ".join(" ".join(sentences(found.out + found.err)).split())


def test_an_alarm_is_listed_with_since_when_what_to_do_and_who_knows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ("--data", str(tmp_path))
    assert printed(capsys, *data).endswith("no alarm is open")
    written(
        tmp_path,
        [RESTARTED, Sign("host", "clock_stepped", there=True, said="the wall clock moved by 60.0 s")],
    )
    text = printed(capsys, *data)
    assert "no daemon runs on" in text
    assert "what follows was said last, 2026-09-21" in text
    assert "2 alarms call for a person" in text
    assert (
        "|| today: pan-a1 device_restarted, the device restarted active since 2026-09-21 14:13:20 +00:00"
        in text
    )
    assert "boot 00000002: watchdog what to do: Look at its supply" in text
    assert "its cause went" not in text  # a clock that moved may be wrong still
    aside = SetAside("pan-a1", "device_restarted", "R. Vale", "a part is on order", (START_S + 4000) * 10**9)
    written(tmp_path, [Acknowledge("host", "", "R. Vale"), aside], START_S + 100)
    text = printed(capsys, "pan-a1", *data)
    assert "no alarm calls for a person; 1 explained, set aside or out of service" in text
    assert "set aside by R. Vale until 2026-09-21 15:20:00 +00:00: a part is on order" in text
    found = json.loads(_out(capsys, "--json", *data))
    assert (found["daemon"], found["problem"], [row["id"] for row in found["alarms"]]) == (
        False,
        "",
        ["device_restarted"],
    )


def _out(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit):
        main(["alarms", *arguments])
    return capsys.readouterr().out


def test_a_log_that_was_changed_is_named_by_the_list_and_by_verify(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(tmp_path, [RESTARTED])
    data = ("--data", str(tmp_path))
    assert "3 lines, each follows from the one before; 1 changes" in printed(capsys, "--verify", *data)
    path_of(tmp_path).write_bytes(path_of(tmp_path).read_bytes().replace(b"watchdog", b"power on"))
    assert "so this list may be wrong: alarms/log-000001.jsonl: line 2: it was changed" in printed(
        capsys, *data
    )
    assert "is not whole" in printed(capsys, "--verify", *data, code=1)


def test_a_persons_word_goes_to_the_daemon_with_a_name_and_what_it_is_about(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[Request] = []

    def ask(_root: Path, request: Request) -> Answer:
        asked.append(request)
        return Answer(VERSION, request.id, ok=True, state="acknowledged by R. Vale", kept=True)

    monkeypatch.setattr(asking, "ask", ask)
    by = ("--operator", "R. Vale", "--data", str(tmp_path))
    assert printed(capsys, "pan-a1", "--acknowledge", *by) == "pan-a1: acknowledged by R. Vale (kept)"
    printed(capsys, "pan-a1", "figures", "--set-aside", "2", "--reason", "known", *by)
    printed(capsys, "host", "clock_stepped", "--put-back", *by)
    found = [(each.command, each.fixture, each.alarm, each.for_s) for each in asked]
    assert found == [
        ("acknowledge", "pan-a1", "", 0.0),
        ("set_aside", "pan-a1", "figures", 7200.0),
        ("put_back", "host", "clock_stepped", 0.0),
    ]


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (("pan-a1", "--acknowledge"), "no name"),
        (("--acknowledge", "--operator", "R. Vale"), "no fixture"),
        (("pan-a1", "figures", "--set-aside", "13", "--operator", "R. Vale", "--reason", "x"), "not so long"),
        (("pan-a1", "--out-of-service", "--operator", "R. Vale"), "no reason"),
        (("pan-a1", "--acknowledge", "--put-back", "--operator", "R. Vale"), "at once"),
    ],
)
def test_what_is_left_out_is_named_before_anybody_is_asked(
    arguments: tuple[str, ...], why: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert why in printed(capsys, *arguments, "--data", str(tmp_path), code=2)
