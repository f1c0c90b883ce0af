"""What `nightturn alarms` asks of the daemon, and how it shows the log."""

from pathlib import Path

import msgspec
import typer

from nightturn.cli.output import HANG, print_json, print_problem, print_text
from nightturn.daemon.control_client import NoDaemonError, ask, new_request
from nightturn.daemon.control_protocol import (
    ACKNOWLEDGE,
    OUT_OF_SERVICE,
    PUT_BACK,
    SET_ASIDE,
    STATUS,
    Request,
)
from nightturn.errors import ConfigError, DeviceError
from nightturn.model.alarms import SET_ASIDE_S_MAX, AlarmRow
from nightturn.sentences.alarms import since_text, standing_lines
from nightturn.sentences.morning import BY_WORD
from nightturn.storage.alarm_log import Book, check_book, read_book
from nightturn.storage.zones import local_text


def request_of(
    fixture: str,
    alarm: str,
    operator: str,
    reason: str,
    *,
    acknowledge: bool,
    set_aside_h: float | None,
    out_of_service: bool,
    put_back: bool,
) -> Request | None:
    """What the daemon is asked to do; None where nothing is.

    Raises:
        ConfigError: more than one thing is asked for, or without a name, a fixture or a reason.
    """
    asked = {
        ACKNOWLEDGE: acknowledge,
        SET_ASIDE: set_aside_h is not None,
        OUT_OF_SERVICE: out_of_service,
        PUT_BACK: put_back,
    }
    words = [word for word, wanted in asked.items() if wanted]
    if not words:
        return None
    if len(words) > 1:
        named = ", ".join(f"--{word.replace('_', '-')}" for word in words)
        raise ConfigError(f"{named} at once", where="alarms", allowed="one of them")
    (word,) = words
    option = f"--{word.replace('_', '-')}"
    if not fixture:
        raise ConfigError("no fixture", where=option, allowed="a fixture, or host")
    if not operator.strip():
        raise ConfigError("no name", where="--operator", allowed="the name of who says so")
    if word in {SET_ASIDE, OUT_OF_SERVICE} and not reason.strip():
        raise ConfigError("no reason", where="--reason", allowed=f"a reason, with {option}")
    for_s = (set_aside_h or 0.0) * 3600
    if set_aside_h is not None and not 0 < for_s <= SET_ASIDE_S_MAX:
        raise ConfigError("not so long", where=option, allowed=f"hours up to {SET_ASIDE_S_MAX // 3600}")
    request = new_request(word, fixture, operator, reason=reason)
    return msgspec.structs.replace(request, alarm=alarm, for_s=for_s)


def show(root: Path, fixture: str, alarm: str, zone: str, *, as_json: bool) -> None:
    """Print what is open.

    Raises:
        StorageError: the log cannot be read.
    """
    book = read_book(root)
    silent = _silent(root)
    rows = [row for row in book.rows if fixture in {"", row.fixture} and alarm in {"", row.id}]
    if as_json:
        print_json(
            {
                "daemon": not silent,
                "alarms": rows,
                "lines": book.lines,
                "head": book.head,
                "problem": book.problem,
            }
        )
        return
    if silent:
        last = f"; what follows was said last, {local_text(book.ts, zone)}" if book.ts else ""
        print_text(f"{silent}{last}", hang=HANG)
    print_text(headline(rows))
    for row in rows:
        typer.echo("")
        _print(row, zone)
    if book.problem:
        print_problem(f"the log of alarms is not whole, so this list may be wrong: {book.problem}")


def _silent(root: Path) -> str:
    """Why nobody keeps the list up to date now, or an empty text."""
    try:
        ask(root, new_request(STATUS))
    except NoDaemonError:
        return f"no daemon runs on {root}"
    except DeviceError:
        return f"the daemon on {root} does not answer"
    return ""


def headline(rows: list[AlarmRow]) -> str:
    """How many call for a person, of how many."""
    calling = sum(row.calls for row in rows)
    if not rows:
        return "no alarm is open"
    known = sum(row.known for row in rows)
    quiet = len(rows) - calling - known
    called = {0: "no alarm calls for a person", 1: "1 alarm calls for a person"}
    parts = [called.get(calling, f"{calling} alarms call for a person")]
    parts += [f"{known} acknowledged"] if known else []
    parts += [f"{quiet} explained, set aside or out of service"] if quiet else []
    return "; ".join(parts)


def verify(root: Path, *, as_json: bool) -> None:
    """Check every line, and whether its words lead to each change; ends with 1 where they do not.

    Raises:
        StorageError: a file of the log cannot be read at all.
    """
    book, changes = check_book(root)
    if as_json:
        print_json({"lines": book.lines, "changes": changes, "head": book.head, "problem": book.problem})
    elif not book.problem:
        print_text(_whole(book, changes))
        print_text(f"hash of the newest line: {book.head}")
    else:
        print_problem(f"the log of alarms is not whole: {book.problem}")
    if book.problem:
        raise typer.Exit(1)


def _whole(book: Book, changes: int) -> str:
    if not book.lines:
        return "no alarm was ever logged here"
    return f"{book.lines} lines, each follows from the one before; {changes} changes, each follows from its words"


def _print(row: AlarmRow, zone: str) -> None:
    head = f"{'|' * BY_WORD[row.severity]} {row.severity}: {row.fixture} {row.id}, {row.title}"
    print_text(head, hang=HANG)
    times = f", {row.times} times" if row.times > 1 else ""

    def moment(ts: int) -> str:
        return local_text(ts, zone)

    print_text(f"{since_text(row, moment)}{times}", HANG)
    print_text(row.said, HANG, hang=HANG)
    if row.gathers:
        print_text(f"it is for {row.gathers} alarms", HANG)
    print_text(f"what to do: {row.todo}", HANG, hang=HANG)
    for line in standing_lines(row, moment):
        print_text(line, HANG, hang=HANG)
