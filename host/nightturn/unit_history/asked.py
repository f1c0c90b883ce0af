"""Asking for a unit's earlier nights without reading them here: frames of a whole life are not for a process that records."""

import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import msgspec

from nightturn.errors import StorageError
from nightturn.model.cards import MountCard
from nightturn.model.facts import RunOpened
from nightturn.model.names import RUN_ID
from nightturn.storage.child import Child, Wording
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest
from nightturn.trend.earlier import first_night, unreadable
from nightturn.trend.learning import UNITS_MIN

COMMAND = (sys.executable, "-P", "-m", "nightturn.unit_history.earlier_child")
WORDING = Wording(
    "the process that reads earlier nights",
    "earlier_nights_process_ended",
    "the run begins without them",
)
ONE_AT_A_TIME = threading.Lock()
"""A process that reads frames takes some 100 MB and a second of a core; a hall's units ask one after the other."""
MANIFESTS_MAX = 2000
"""Manifests that are looked at before a process is started: 0.05 ms each."""
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
    card = msgspec.json.decode(opened.card, type=MountCard)
    unit = card.unit
    try:
        # a run whose state was lost goes on behind its own cycles
        if not _may_be_known(root, card, "" if opened.lost else opened.run):
            return msgspec.msgpack.encode(first_night(unit))
        with ONE_AT_A_TIME, Child(command, WORDING, answer_s=ANSWER_S_MAX) as child:
            answer: bytes = child.ask((str(root), opened))
    except (StorageError, TimeoutError, OSError) as error:
        return msgspec.msgpack.encode(unreadable(unit, str(error)))
    return answer


def _may_be_known(root: Path, card: MountCard, own: str) -> bool:
    """Whether the store may hold another run of the unit, or enough units of its variant; a hall's first night starts no process for each of its units.

    By the cards in the manifests; one that cannot be read may be the unit's, and so may any of very many.
    """
    files = RealFiles(root)
    found = [
        (fixture, name.removesuffix(".json"))
        for fixture in files.list("runs")
        for name in files.list(f"runs/{fixture}")
        if RUN_ID.fullmatch(name.removesuffix(".json"))
    ]
    if len(found) > MANIFESTS_MAX:
        return True
    others = set[str]()
    for fixture, run in found:
        each = _card(files, fixture, run) if run != own else card
        if each is None or (run != own and each.unit == card.unit):
            return True
        if each.unit != card.unit and each.variant == card.variant:
            others.add(each.unit)
    return len(others) >= UNITS_MIN


def _card(files: RealFiles, fixture: str, run: str) -> MountCard | None:
    """Of a run; None where nobody can say."""
    try:
        text = read_manifest(files, fixture, run).card
        return msgspec.json.decode(text, type=MountCard) if text else None
    except (StorageError, msgspec.MsgspecError):
        return None
