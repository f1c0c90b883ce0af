"""Lines of a logbook, made short."""

from typing import Any

from nightturn.logbook.entries import Entry, Predicted
from nightturn.logbook.lines import Logbook, encoded, read

RUN = "20261125T213000Z-4f1c"


def entry(number: int, kind: Any = "note", **fields: Any) -> Entry:
    """A line of R. Vale."""
    return Entry(
        **{"number": number, "kind": kind, "utc_ns": number, "by": "R. Vale", "text": "heard it", **fields}
    )


def named(*causes: str) -> tuple[Predicted, ...]:
    """Predictions of these causes."""
    return tuple(Predicted(cause=each, figure="friction_nm", direction=1, changed_ts=7) for each in causes)


def finding(number: int, cause: str, *predicted: str, **fields: Any) -> Entry:
    """A finding of a tear-down behind one run."""
    usual = {"unit": "Q-0121", "run": RUN, "cause": cause, "predicted": named(*predicted)}
    return entry(number, "finding", **{**usual, **fields})


def book(*entries: Entry) -> Logbook:
    """What a file of these lines says."""
    return read(b"".join(map(encoded, entries)))
