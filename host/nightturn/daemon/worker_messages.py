"""What the daemon's first process and its workers say to each other."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightturn.bench.proof import Proof
from nightturn.daemon.control_protocol import Answer, Request
from nightturn.daemon.picture import Picture
from nightturn.model.records import Emit
from nightturn.settings.rig import BenchPart, FixtureSettings

BEAT_S = 0.25
"""How often each end says that it lives."""
SILENT_S = 3.0
"""After so long without the first process nobody can stop a shaft by a command, so a worker ends its motion."""
STALL_S = 1.0
"""Whoever looks so late has stood still itself, and has not read what came meanwhile: it begins to count anew."""
ANSWER_S_MAX = 2.0
"""As long as a client waits; what is older is not carried out any more, except what turns a drive off."""


@dataclass(frozen=True, slots=True)
class Order:
    """What a worker is to do, of one reading of the rig file: a worker that is started again gets the same.

    Attributes:
        bench: the rig file, beside which the variants are.
        fixtures: settings, and the place of each among all fixtures of the daemon.
        publishes: whether all rows are wanted that somebody watches, not only those that alarms follow from.
        owner: the first process, which others are told to end.
        rig_fixtures: how many the rig file has, those of other workers too.
    """

    bench: Path
    root: Path
    part: BenchPart
    fixtures: tuple[tuple[FixtureSettings, float], ...]
    publishes: bool
    owner: int
    rig_fixtures: int

    @property
    def names(self) -> tuple[str, ...]:
        """The ids of the fixtures."""
        return tuple(settings.id for settings, _ in self.fixtures)


@dataclass(frozen=True, slots=True)
class Alive:
    """The first process lives."""


@dataclass(frozen=True, slots=True)
class End:
    """Close every run, in order, and end."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A request from the control socket, under a number of this daemon; `at_s` is when, by the clock of every loop here."""

    no: int
    request: Request
    at_s: float


@dataclass(frozen=True, slots=True)
class Answered:
    """The answer to it."""

    no: int
    answer: Answer


@dataclass(frozen=True, slots=True)
class Row:
    """A row for the sinks of the first process."""

    fixture: str
    emit: Emit


@dataclass(frozen=True, slots=True)
class Info:
    """What stands on a fixture whose run opens."""

    fixture: str
    info: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the log."""

    fields: dict[str, Any]


Item = Row | Info | Line


@dataclass(frozen=True, slots=True)
class Items:
    """Items in the order in which they came to be."""

    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class FixtureBeat:
    """A fixture as its worker knows it.

    Attributes:
        settled, proof: as in `service_manager.Signs`.
        picture: None while it is the same as in the beat before.
        unkept: as `FixtureWatch.unkept`.
    """

    fixture: str
    settled: bool
    proof: Proof | None
    picture: Picture | None
    unkept: str


@dataclass(frozen=True, slots=True)
class Beat:
    """The worker's loop lives.

    Attributes:
        dropped: items that found the queue full, since it began.
        rejected: a night that ended there was rejected.
    """

    fixtures: tuple[FixtureBeat, ...]
    dropped: int
    rejected: bool


@dataclass(frozen=True, slots=True)
class FixtureFailed:
    """A fixture's watch has ended by an error: the name of its class, and what it says."""

    fixture: str
    kind: str
    why: str


@dataclass(frozen=True, slots=True)
class Closed:
    """Every run is closed; nothing follows."""

    rejected: bool
