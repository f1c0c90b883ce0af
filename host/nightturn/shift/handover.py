"""What is open for the next shift: asked of the daemon where one answers, and read from the data root."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from nightturn.daemon.control_client import NoDaemonError, ask, new_request
from nightturn.daemon.control_protocol import STATUS
from nightturn.errors import DeviceError
from nightturn.shift.open_items import (
    OpenItem,
    calibration_due,
    disk,
    kept_apart,
    recorded_wait,
    unanswered,
    unconfirmed,
    undecided,
    unread,
)
from nightturn.storage.runs import RunSummary, list_runs

TURNS = "look at the rig before anybody reaches in: this says nothing about whether it is safe"


class Handover(msgspec.Struct, frozen=True, kw_only=True):
    """What is open.

    Attributes:
        now_ns: when it was asked, UTC. timezone: by whose clocks people read.
        daemon: whether a daemon answered; without one `fixtures` is empty, and what fixtures do is as recorded last.
        fixtures: name and state of each, as the daemon says it.
        items: what is open; empty where nothing is.
    """

    now_ns: int
    timezone: str
    daemon: bool
    fixtures: tuple[tuple[str, str], ...]
    items: tuple[OpenItem, ...]


def handover(root: Path, now_ns: int, days: int) -> Handover:
    """What is open below a data root, with so many days from one calibration to the next.

    Raises:
        RunNotFoundError: there is no such folder.
        CorruptFileError: the log of retention cannot be read.
    """
    runs = list_runs(root)
    newest = _newest(runs, "fixture")
    timezone = runs[0].timezone if runs else "UTC"
    answered = _asked(root)
    items: list[OpenItem] = []
    if answered is None:
        for each in newest:
            items += kept_apart(recorded_wait(root, each), each.fixture)
    else:
        items += [item for _, _, item in answered if item is not None]
    for each in newest:
        items += kept_apart(unconfirmed(root, each), each.fixture)
    for each in _newest(runs, "unit"):
        items += undecided(each)
    items += _calibrations(root, newest, now_ns, days)
    items += kept_apart(unanswered(root, timezone), "")
    items += [*unread(runs), *disk(root)]
    return Handover(
        now_ns=now_ns,
        timezone=timezone,
        daemon=answered is not None,
        fixtures=tuple((name, state) for name, state, _ in answered or ()),
        items=tuple(items),
    )


def _calibrations(root: Path, newest: Sequence[RunSummary], now_ns: int, days: int) -> Iterator[OpenItem]:
    for each in newest:
        yield from kept_apart(calibration_due(root, each, now_ns, days), each.fixture)


def _newest(runs: Sequence[RunSummary], key: str) -> list[RunSummary]:
    """The newest run of each fixture or unit, in the order of their names; `runs` has the newest first."""
    found: dict[str, RunSummary] = {}
    for each in runs:
        name = each.unit if key == "unit" else each.fixture
        if name:
            found.setdefault(name, each)
    return [found[name] for name in sorted(found)]


def _asked(root: Path) -> list[tuple[str, str, OpenItem | None]] | None:
    """Each fixture with its state and what it waits for; None where there is no daemon to be asked."""
    try:
        names = ask(root, new_request(STATUS)).fixtures
        return [_of_fixture(root, name) for name in names]
    except NoDaemonError:
        return None
    except DeviceError as problem:  # there is one, and what the fixtures do is not known
        item = OpenItem(kind="unread", of="daemon", text=str(problem), then="`nightturn status`")
        return [("every fixture", "not known", item)]


def _of_fixture(root: Path, name: str) -> tuple[str, str, OpenItem | None]:
    answer = ask(root, new_request(STATUS, name))
    if not answer.ok:
        item = OpenItem(kind="unread", of=name, text=answer.problem, then="`nightturn status`")
        return name, "not known", item
    if not answer.waits_for:
        return name, answer.state, None
    text = f"{answer.state}; {answer.waits_for}"
    return name, answer.state, OpenItem(kind="fixture", of=name, text=text, then=TURNS)
