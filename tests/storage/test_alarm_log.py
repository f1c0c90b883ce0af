"""The log of alarms on the disk: what a start goes on from, what a reader believes, what somebody changed in it."""

from pathlib import Path

import pytest

from nightturn.alarms.words import Given, Sign
from nightturn.model.clocks import NS_PER_S
from nightturn.storage import alarm_log
from nightturn.storage.alarm_log import AlarmLog, Placed, check_book, read_book, write
from nightturn.storage.files import RealFiles

RESTARTED = Sign("pan-a1", "device_restarted", there=True, said="boot 00000002: watchdog")
GONE = Sign("pan-a1", "device_restarted", there=False)


def said(root: Path, words: list[Given], start_s: int = 1_790_000_000) -> list[Placed]:
    """A writer's life: words, a second apart, on the disk."""
    log, lines = AlarmLog(RealFiles(root)), list[Placed]()
    for place, word in enumerate(words):
        ts = (start_s + place) * NS_PER_S
        if log.full:
            lines.append(log.begin())
        taken = log.alarms.handle(ts, word)
        lines.append(log.line(ts, word))
        lines += [log.line(ts, each) for each in taken.moved]
    write(RealFiles(root), lines)
    return lines


def path_of(root: Path, place: int = 1) -> Path:
    return root / "alarms" / f"log-{place:06d}.jsonl"


def test_a_root_without_alarms_has_none(tmp_path: Path) -> None:
    assert read_book(tmp_path).rows == ()
    assert check_book(tmp_path) == (read_book(tmp_path), 0)


def test_a_start_goes_on_where_the_log_ends_and_the_chain_with_it(tmp_path: Path) -> None:
    said(tmp_path, [RESTARTED])
    assert [row.state.value for row in read_book(tmp_path).rows] == ["active"]
    said(tmp_path, [GONE], 1_790_000_100)
    book, changes = check_book(tmp_path)
    assert [row.state.value for row in book.rows] == ["returned"]
    assert (book.problem, changes) == ("", 2)
    assert book.lines == len(path_of(tmp_path).read_bytes().splitlines()) == 5


def test_a_line_that_was_not_finished_is_no_line_and_the_next_start_cuts_it_off(tmp_path: Path) -> None:
    said(tmp_path, [RESTARTED])
    whole = path_of(tmp_path).read_bytes()
    path_of(tmp_path).write_bytes(whole + b'{"n":4,"prev":"ab')
    assert read_book(tmp_path).problem == ""
    assert len(read_book(tmp_path).rows) == 1
    said(tmp_path, [GONE], 1_790_000_100)
    assert path_of(tmp_path).read_bytes().startswith(whole)
    assert check_book(tmp_path)[0].problem == ""


@pytest.mark.parametrize("where", [0.02, 0.4, 0.8])
def test_a_changed_byte_is_named_and_the_log_goes_on_in_another_file_beside_the_evidence(
    tmp_path: Path, where: float
) -> None:
    said(tmp_path, [RESTARTED, GONE])
    content = bytearray(path_of(tmp_path).read_bytes())
    content[int(where * len(content))] ^= 1
    path_of(tmp_path).write_bytes(bytes(content))
    problem = read_book(tmp_path).problem
    assert problem.startswith("alarms/log-000001.jsonl: line ")
    log = AlarmLog(RealFiles(tmp_path))
    assert log.trouble == problem
    assert log.full
    said(tmp_path, [RESTARTED], 1_790_000_100)
    assert path_of(tmp_path).read_bytes() == bytes(content)
    assert len(read_book(tmp_path).rows) == 1
    assert check_book(tmp_path)[0].problem.startswith(problem)


def test_a_file_that_is_missing_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(alarm_log, "FILE_BYTES_MAX", 1)
    said(tmp_path, [RESTARTED, GONE, RESTARTED])
    assert path_of(tmp_path, 3).exists()
    assert check_book(tmp_path)[0].problem == ""
    path_of(tmp_path, 2).unlink()
    assert "log-000002.jsonl is missing" in check_book(tmp_path)[0].problem


def test_a_full_file_is_followed_by_one_that_begins_with_the_state_so_a_reader_needs_the_newest_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(alarm_log, "FILE_BYTES_MAX", 1)
    said(tmp_path, [RESTARTED, GONE])
    assert [row.state.value for row in read_book(tmp_path).rows] == ["returned"]
    book, changes = check_book(tmp_path)
    assert (book.problem, changes) == ("", 2)


def test_an_attempt_that_left_a_part_behind_is_made_again_whole(tmp_path: Path) -> None:
    lines = said(tmp_path, [RESTARTED])
    path_of(tmp_path).write_bytes(path_of(tmp_path).read_bytes()[:-40])
    write(RealFiles(tmp_path), lines[1:], again=True)
    assert check_book(tmp_path)[0].problem == ""
