"""Asking for a unit's earlier nights without reading them here: frames of a whole life are not for a process that records."""

import sys
from collections.abc import Sequence
from pathlib import Path

import msgspec

from nightturn.errors import StorageError
from nightturn.model.cards import MountCard
from nightturn.model.facts import RunOpened
from nightturn.storage.child import Child, Wording
from nightturn.storage.files import RealFiles
from nightturn.trend.earlier import first_night, unreadable

COMMAND = (sys.executable, "-P", "-m", "nightturn.unit_history.earlier_child")
WORDING = Wording(
    "the process that reads earlier nights",
    "earlier_nights_process_ended",
    "the run begins without them",
)
ANSWER_S_MAX = 60.0
"""A hundred nights take some 2 s, most of it the start of the process; a run waits no longer than this to open."""


def with_earlier(root: Path, opened: RunOpened, command: Sequence[str] = COMMAND) -> RunOpened:
    """The first record of a run with what the earlier nights of its unit say; a run that goes on brings along what it knows, unless that is lost.

    It blocks: call it beside the loop. Whatever is wrong with the store, the run is opened, and says what it begins without.
    """
    if not opened.watch_threshold or opened.trends or (opened.resumed and not opened.lost):
        return opened
    return msgspec.structs.replace(opened, earlier=_earlier(root, opened, command))


def _earlier(root: Path, opened: RunOpened, command: Sequence[str]) -> bytes:
    unit = msgspec.json.decode(opened.card, type=MountCard).unit
    try:
        if not _any_run(root):
            return msgspec.msgpack.encode(first_night(unit))
        with Child(command, WORDING, answer_s=ANSWER_S_MAX) as child:
            answer: bytes = child.ask((str(root), opened))
    except (StorageError, TimeoutError, OSError) as error:
        return msgspec.msgpack.encode(unreadable(unit, str(error)))
    return answer


def _any_run(root: Path) -> bool:
    files = RealFiles(root)
    return any(files.list(f"runs/{fixture}") for fixture in files.list("runs"))
