"""What is said on a daemon's control socket: one JSON object a line, a request and then its answer.

Whoever may open the socket may command; a name in a request is a record, not an authentication. Nothing said here is a
safety function.
"""

import msgspec

from nightturn.model.device import DeviceCounters
from nightturn.model.nights import NightVerdict
from nightturn.model.purposes import ENGINEERING, Purpose
from nightturn.model.tasks import Standing, Task
from nightturn.model.trends import Notice

VERSION = 1
LINE_BYTES_MAX = 64 * 1024
NAME_LENGTH_MAX = 80
TEXT_LENGTH_MAX = 400

STATUS, STOP, PAUSE, GO, MOUNT, UNMOUNT = "status", "stop", "pause", "go", "mount", "unmount"
LOOK = "look"  # what a person reads before a `go`; it changes nothing
ACKNOWLEDGE, SET_ASIDE, OUT_OF_SERVICE, PUT_BACK = "acknowledge", "set_aside", "out_of_service", "put_back"
AUDIT = "audit"  # something that a person did at another door, for the log of alarms
OF_ALARMS = frozenset({ACKNOWLEDGE, SET_ASIDE, OUT_OF_SERVICE, PUT_BACK, AUDIT})
COMMANDS = frozenset({STATUS, STOP, PAUSE, GO, MOUNT, UNMOUNT, LOOK}) | OF_ALARMS
NAMED = COMMANDS - {STATUS, LOOK}  # a person stands behind these


class Request(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One request; `id` comes back with the answer. From `variant` to `purpose` it is about a mount card only, from `alarm` on about alarms.

    `alarm` is the id of one, empty for all of the fixture, which may be `host`; of an audit the word. `for_s` is for how long it is
    set aside. `task` makes a mount the card of a run that is not a night.
    """

    v: int
    id: str
    command: str
    fixture: str = ""
    operator: str = ""
    reason: str = ""
    unit: str = ""
    variant: str = ""
    notes: str = ""
    travel_zero: bool = False
    stays: bool = False
    mark_deg: float | None = None
    purpose: Purpose = ENGINEERING
    alarm: str = ""
    for_s: float = 0.0
    task: Task | msgspec.UnsetType = msgspec.UNSET


class Answer(msgspec.Struct, frozen=True):
    """The answer to a request.

    Attributes:
        ok: whether it was done; else `problem` says why not and what to do.
        state: what the fixture is doing now.
        waits_for: what has to happen before it does something else, and which command makes it so.
        kept: for a command that was done: whether it is on the disk already.
        left_out: whether it was refused for what the request itself leaves out, not for what the fixture does.
        travel: for a mount: the old position, and what travel counts from now.
        counters: what its device counts; None while none streams.
        night_verdict: what all cycles of the open run say together so far; None without a run.
        durable_through, durable_utc_ns: the last record of the open run that is known to be on the disk, and when it was written.
        shows: what a look before a `go` shows, as names and sentences.
        fixtures: which fixtures this daemon has, when a status names none.
        trends: what the course of figures over the cycles of the open run asks of people, the most urgent first.
        measured: how the wanted figures of a measurement stand; empty in a night.
        run: the run that is open.
    """

    v: int
    id: str
    ok: bool
    state: str = ""
    waits_for: str = ""
    problem: str = ""
    kept: bool | None = None
    left_out: bool = False
    travel: str = ""
    fixtures: tuple[str, ...] = ()
    counters: DeviceCounters | None = None
    night_verdict: NightVerdict | None = None
    durable_through: int | None = None
    durable_utc_ns: int | None = None
    shows: tuple[tuple[str, str], ...] = ()
    trends: tuple[Notice, ...] = ()
    measured: tuple[Standing, ...] = ()
    run: str = ""


class _Head(msgspec.Struct):
    """What every version of a request begins with."""

    v: int
    id: str = ""


def request_line(request: Request) -> bytes:
    """A request as a line."""
    return msgspec.json.encode(request) + b"\n"


def answer_line(answer: Answer) -> bytes:
    """An answer as a line."""
    return msgspec.json.encode(answer) + b"\n"


def read_request(line: bytes) -> Request | Answer:
    """The request on a line, or the answer that says what is wrong with it."""
    try:
        head = msgspec.json.decode(line, type=_Head)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return refused("", f"not a request: {error}; one JSON object a line with v, id and command")
    if head.v != VERSION:
        return refused(
            head.id,
            f"the daemon uses version {VERSION} on this socket, the request is of version {head.v}; "
            "use the `nightturn` that runs the daemon",
        )
    try:
        request = msgspec.json.decode(line, type=Request)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        return refused(head.id, f"not a request: {error}")
    problem = _problem(request)
    return refused(request.id, problem) if problem else request


def read_answer(line: bytes, request: Request) -> Answer | str:
    """The answer on a line, or why it is none to this request."""
    try:
        answer = msgspec.json.decode(line, type=Answer)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        return f"cannot be read: {error}"
    if answer.v != VERSION:
        return f"is of version {answer.v}, this `nightturn` uses version {VERSION}"
    if answer.id not in {request.id, ""}:
        return "belongs to another request"
    return answer


def refused(request_id: str, problem: str) -> Answer:
    """An answer that nothing was done."""
    return Answer(VERSION, request_id, ok=False, problem=problem)


def too_long() -> Answer:
    """The answer to a line without an end."""
    return refused("", f"the line is longer than {LINE_BYTES_MAX} bytes; a request is one short JSON object")


def _problem(request: Request) -> str:
    if request.command not in COMMANDS:
        return f"unknown command {_shown(request.command)}; known: {', '.join(sorted(COMMANDS))}"
    for name, text, most in (
        ("id", request.id, NAME_LENGTH_MAX),
        ("fixture", request.fixture, NAME_LENGTH_MAX),
        ("operator", request.operator, NAME_LENGTH_MAX),
        ("unit", request.unit, NAME_LENGTH_MAX),
        ("variant", request.variant, NAME_LENGTH_MAX),
        ("reason", request.reason, TEXT_LENGTH_MAX),
        ("alarm", request.alarm, NAME_LENGTH_MAX),
    ):
        if len(text) > most or (text and not text.isprintable()):
            return f"{name}: {_shown(text)} cannot be used; allowed: up to {most} printable characters"
    if request.command in NAMED and not request.operator.strip():
        return f"{request.command} needs the operator's name"
    if request.command in NAMED - {AUDIT} and not request.fixture:
        return f"{request.command} needs a fixture"
    if request.command in {GO, MOUNT} and not request.unit.strip():
        return f"{request.command} needs the unit"
    return ""


def _shown(text: str) -> str:
    return repr(text if len(text) <= NAME_LENGTH_MAX else text[:NAME_LENGTH_MAX] + "…")
