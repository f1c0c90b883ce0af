"""How the daemon logs: sentences for people on a terminal, JSON elsewhere; to stderr, or for machines to stdout."""

import logging
import os
import sys
from collections.abc import Callable, Mapping, MutableMapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import structlog

from nightturn.errors import DEBUG, plain

FIRST = ("timestamp", "level", "fixture", "event")
SENTENCES = ("detail", "why", "next")
KNOWN = frozenset({*FIRST, *SENTENCES, "exception"})
WORDS = {"warning": "warning: ", "error": "ALARM: ", "critical": "ALARM: "}

PLAIN = (str, int, float, bool, type(None), list, tuple, dict)

Fields = MutableMapping[str, Any]
ShowLine = Callable[[str, str], None]

_stamp = structlog.processors.TimeStamper(fmt="iso", utc=True)
log: structlog.stdlib.BoundLogger = structlog.get_logger()


def debugging() -> bool:
    """Whether faults show where they happened."""
    return bool(os.environ.get(DEBUG))


def set_up_logging(
    *,
    errors_only: bool = False,
    as_json: bool = False,
    show: ShowLine | None = None,
    timezone: str = "UTC",
) -> None:
    """Configure structlog once, at the start of a command; with `as_json` one JSON object a line on stdout.

    Args:
        errors_only: leave out what is no alarm.
        as_json: for machines.
        show: prints a line for people, given its level; else it is JSON on stderr.
        timezone: of the times in lines for people, an IANA name; JSON is UTC.
    """
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        _stamped,
        structlog.processors.format_exc_info,
        _plainly,
    ]
    if show is None:
        stream = sys.stdout if as_json else sys.stderr
        # stderr escapes what its encoding lacks; stdout would raise
        shared += [_in_order, structlog.processors.JSONRenderer(ensure_ascii=as_json)]
        factory: Callable[..., Any] = structlog.PrintLoggerFactory(stream)
    else:
        zone = ZoneInfo(timezone)

        def for_people(_logger: object, _name: str, fields: Fields) -> tuple[tuple[str, str], dict[str, Any]]:
            return (line_for_people(fields, zone), str(fields["level"])), {}

        shared.append(for_people)
        factory = _Shown(show)
    structlog.configure(
        processors=shared,
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR if errors_only else logging.INFO),
        logger_factory=factory,
        cache_logger_on_first_use=True,
    )


def hand_logs_on(take: Callable[[dict[str, Any]], None]) -> None:
    """Configure structlog for a process that another one speaks for: each line as fields, stamped here, for `say_for` there."""

    def hand_on(_logger: object, _name: str, fields: Fields) -> Fields:
        take({name: value if isinstance(value, PLAIN) else str(value) for name, value in fields.items()})
        raise structlog.DropEvent

    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            _stamped,
            structlog.processors.format_exc_info,
            hand_on,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        cache_logger_on_first_use=True,
    )


def say_for(fields: Mapping[str, Any]) -> None:
    """Say a line of another process, with the time at which it was said there."""
    said = {name: value for name, value in fields.items() if name not in {"level", "event"}}
    getattr(log, str(fields["level"]))(fields["event"], **said)


def line_for_people(fields: Mapping[str, Any], zone: ZoneInfo) -> str:
    """`21:03:12 pan-a1 warning: line lost: the port is gone`; where a fault happened only when it is asked for."""
    moment = datetime.fromisoformat(str(fields["timestamp"])).astimezone(zone)
    who = f" {fields['fixture']}" if "fixture" in fields else ""
    words = str(fields["event"]).replace("_", " ")
    said = [str(fields[name]) for name in SENTENCES if fields.get(name)]
    if "detail" not in fields:  # a detail names all that matters
        said += [f"{name.replace('_', ' ')} {value}" for name, value in fields.items() if name not in KNOWN]
    if said and said[0].startswith(words):  # "waits", and then "waits until the shaft stands"
        words = ""
    trace = f"\n{fields['exception']}" if debugging() and fields.get("exception") else ""
    text = ": ".join(part for part in (words, "; ".join(said)) if part)
    return f"{moment:%H:%M:%S}{who} {WORDS.get(str(fields['level']), '')}{text}{trace}"


def _stamped(logger: Any, name: str, fields: Fields) -> Fields:  # noqa: ANN401 - as structlog calls a processor
    """The time, unless the line comes with one."""
    return fields if "timestamp" in fields else _stamp(logger, name, fields)


def _plainly(_logger: object, _name: str, fields: Fields) -> Fields:
    """The system's errors without their numbers."""
    for name in SENTENCES:
        if name in fields:
            fields[name] = plain(str(fields[name]))
    return fields


def _in_order(_logger: object, _name: str, fields: Fields) -> Fields:
    """What a person looks for first stands first."""
    return {name: fields[name] for name in (*FIRST, *(f for f in fields if f not in FIRST)) if name in fields}


class _Shown:
    """structlog's logger that hands lines on."""

    def __init__(self, show: ShowLine) -> None:
        self._show = show

    def __call__(self, *_names: object) -> "_Shown":
        return self

    def msg(self, text: str, level: str) -> None:
        self._show(text, level)

    debug = info = warning = error = critical = exception = msg
