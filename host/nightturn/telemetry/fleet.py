"""What a reader knows of many hosts from MQTT alone: the newest of each retained topic, and how old it is.

The rule whose word counts is `reading`'s. Beside it nothing is older than it says: a daemon says every ten seconds that it is there, and
while a core speaks for a fixture its state comes as often. A message that the broker kept is as old as its own time says by this
computer's clock, until the next one comes.
"""

import re
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from nightturn.model.alarms import HOST as OF_HOST
from nightturn.model.alarms import AlarmRow
from nightturn.model.clocks import NS_PER_S
from nightturn.model.names import LAB_NAME, fixture_id_problem
from nightturn.model.rows import FAILED, NO_RUN, STARTING, UNRECORDED
from nightturn.motion.permission import MotionState
from nightturn.telemetry import alarm_payload
from nightturn.telemetry.confirming import Arrived
from nightturn.telemetry.moments import ns_or_none
from nightturn.telemetry.reading import OFFLINE, speaks_for
from nightturn.telemetry.topics import HOST_NAME, MAJOR, ROOT

FILTERS = tuple(
    f"{ROOT}/{MAJOR}/{below}" for below in ("+/+/state", "+/+/alarm/+", "+/host/+/state", "+/host/+/alarm/+")
)
SILENT_S = 35.0
"""Three periods of what comes every ten seconds, and a little."""
TOPICS_MAX = 20_000
PAYLOAD_BYTES_MAX = 64 * 1024
NO_CORE = frozenset({STARTING, NO_RUN, UNRECORDED, FAILED, OFFLINE, MotionState.ENDED.value})
"""States that are said once: they hold as long as the daemon says that it is there."""
_TOPIC = re.compile(
    rf"{ROOT}/{MAJOR}/(?P<lab>[^/]+)/(?P<host>host/)?(?P<name>[^/]+)/(?P<what>state|alarm/[^/]+)"
)

Said = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class FixtureHeard:
    """One fixture of one lab.

    Attributes:
        said: the whole payload of its state.
        silent: whether nothing is known of now.
        newest_ns: the time of the last word, UTC; None where none has one.
        alarms: the open ones; empty where nothing is known of now.
    """

    lab: str
    fixture: str
    said: Said
    silent: bool
    newest_ns: int | None
    alarms: tuple[AlarmRow, ...]


@dataclass(frozen=True, slots=True)
class _Kept:
    said: Said
    payload: bytes
    at_s: float


class Fleet:
    """Takes messages from one thread and answers any other.

    Attributes:
        passed_over: messages that are none of this tree or version, or were too long or too many.
    """

    def __init__(self, monotonic: Callable[[], float], utc_ns: Callable[[], int]) -> None:
        self._monotonic, self._utc_ns = monotonic, utc_ns
        self._kept: dict[str, _Kept] = {}
        self._lock = threading.Lock()
        self.passed_over = 0

    def take(self, arrived: Arrived) -> None:
        """One message."""
        with self._lock:
            if not arrived.payload:
                self._kept.pop(arrived.topic, None)
                return
            full = arrived.topic not in self._kept and len(self._kept) >= TOPICS_MAX
            said = None if full else _said(arrived)
            if said is None:
                self.passed_over += 1
                return
            self._kept[arrived.topic] = _Kept(
                said, arrived.payload, self._monotonic() - self._age_s(said, arrived)
            )

    def fixtures(self) -> tuple[FixtureHeard, ...]:
        """Every fixture, by lab and name."""
        with self._lock:
            kept = dict(self._kept)
        found = []
        for topic, each in kept.items():
            match topic.split("/"):
                case [_, _, lab, fixture, "state"]:
                    found.append(self._fixture(kept, lab, fixture, each))
                case _:
                    pass
        return tuple(sorted(found, key=lambda each: (each.lab, each.fixture)))

    def host_alarms(self) -> tuple[tuple[str, AlarmRow], ...]:
        """What calls a person and belongs to no fixture, with the host that says it."""
        with self._lock:
            kept = dict(self._kept)
        found = []
        for topic, each in sorted(kept.items()):
            match topic.split("/"):
                case [_, _, lab, "host", host, "alarm", _]:
                    row = alarm_payload.read(each.payload, OF_HOST)
                    if row is not None and row.calls and self._there(kept, lab, {**each.said, "host": host}):
                        found.append((host, row))
                case _:
                    pass
        return tuple(found)

    def _fixture(self, kept: Mapping[str, _Kept], lab: str, fixture: str, own: _Kept) -> FixtureHeard:
        below = f"{ROOT}/{MAJOR}/{lab}"
        host = kept.get(f"{below}/host/{own.said['host']}/state")
        fresh = own.said["state"] in NO_CORE or self._fresh(own)
        silent = own.said["state"] == OFFLINE or not (fresh and self._there(kept, lab, own.said))
        of_fixture = f"{below}/{fixture}/alarm/"
        rows = [
            alarm_payload.read(each.payload, fixture)
            for topic, each in kept.items()
            if topic.startswith(of_fixture) and self._there(kept, lab, each.said)
        ]
        times = [_ts(each.said) for each in (own, host) if each is not None]
        newest = max((each for each in times if each is not None), default=None)
        known = () if silent else tuple(row for row in rows if row is not None)
        return FixtureHeard(lab, fixture, own.said, silent, newest, known)

    def _there(self, kept: Mapping[str, _Kept], lab: str, said: Said) -> bool:
        host = kept.get(f"{ROOT}/{MAJOR}/{lab}/host/{said['host']}/state")
        return host is not None and self._fresh(host) and speaks_for(host.said, said)

    def _fresh(self, kept: _Kept) -> bool:
        return self._monotonic() - kept.at_s <= SILENT_S

    def _age_s(self, said: Said, arrived: Arrived) -> float:
        """Of a message that the broker kept, by its own time; one without is as good as never heard."""
        if not arrived.retained:
            return 0.0
        ts = _ts(said)
        return max(self._utc_ns() - ts, 0) / NS_PER_S if ts is not None else float("inf")


def _said(arrived: Arrived) -> Said | None:
    """What a message says; None where it is none of ours."""
    place = _TOPIC.fullmatch(arrived.topic)
    if place is None or len(arrived.payload) > PAYLOAD_BYTES_MAX or not LAB_NAME.fullmatch(place["lab"]):
        return None
    named = HOST_NAME.fullmatch(place["name"]) if place["host"] else fixture_id_problem(place["name"]) is None
    try:
        said = msgspec.json.decode(arrived.payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return None
    words = ("host", "daemon_boot", "state")
    good = (
        isinstance(said, dict)
        and said.get("v") == 1
        and all(isinstance(said.get(each), str) for each in words)
    )
    return said if named and good else None


def _ts(said: Said) -> int | None:
    try:
        return ns_or_none(said.get("ts"))
    except (ValueError, TypeError, OverflowError):
        return None
