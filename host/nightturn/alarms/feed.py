"""Rows of fixtures become signs of conditions. Only what changes is a sign, because each is a line of the log.

An event of severity `alarm` is there until the row `AlarmOver` says otherwise, or another run begins. What the state says as long as
it lasts (waits, line, courses) is read from each state. What an earlier daemon knew is settled by the first state that says more
than that the fixture starts.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime

import msgspec

from nightturn.alarms import conditions as known
from nightturn.alarms.conditions import CONDITIONS
from nightturn.alarms.figure_signs import FigureSigns
from nightturn.alarms.words import Sign
from nightturn.model.alarms import HOST, EndsWith, ends_with
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import (
    FAILED,
    NO_RUN,
    STARTING,
    UNRECORDED,
    AlarmOver,
    EventRow,
    StandingRow,
    StateRow,
)
from nightturn.model.trends import NOTE, TODAY

ALARM, WARNING, REPEATED = "alarm", "warning", "repeated"
LEASE, SHUNT, NIGHT = "lease_lapsed", "shunt_check", "night_verdict"
OTHER = "other"
ENDED, LOCKED, RUNNING = "ended", "locked", "running"
DUE_NOTE_DAYS = 30
OF_STATES = frozenset(
    {known.WAITS, known.LINE, known.UNRECORDED, known.FAILED, known.FIGURES, known.CALIBRATION}
)
"""What each state says anew."""
UNTIL_NEXT_RUN = frozenset({known.REJECTED})


class _Fixture(msgspec.Struct):
    """What was said of one fixture: signs that are there, those of an earlier daemon among them, and of `other` every kind."""

    run: str = ""
    there: dict[str, Sign] = {}
    found: set[str] = set()
    others: dict[str, str] = {}
    figures: FigureSigns = msgspec.field(default_factory=FigureSigns)
    due: date | None = None
    signal_ts: int = 0


class Feed:
    """Turns rows into signs; `begin` with what the log knew when the daemon started."""

    def __init__(self) -> None:
        self._fixtures: dict[str, _Fixture] = {}
        self._host: dict[str, set[str]] = {}

    def begin(self, there: Iterable[Sign]) -> None:
        """What was there by the words of an earlier daemon."""
        for sign in there:
            if sign.fixture == HOST:
                self._host[sign.condition] = set()
                continue
            fixture = self._of(sign.fixture)
            fixture.run = sign.run or fixture.run
            fixture.there[sign.condition] = sign
            fixture.found.add(sign.condition)

    def begin_again(self, fixture: str) -> None:
        """Whoever spoke for a fixture is gone; the first state of whoever follows settles what was there."""
        kept = self._of(fixture)
        kept.found = set(kept.there)
        for holders in self._host.values():
            holders.discard(fixture)

    def info(self, fixture: str, facts: Mapping[str, object]) -> None:
        """What stands on a fixture whose run opens."""
        kept = self._of(fixture)
        kept.figures.take_limits(facts)
        due = facts.get("calibration_due")
        kept.due = date.fromisoformat(due) if isinstance(due, str) else None

    def row(self, fixture: str, row: msgspec.Struct) -> list[Sign]:
        """The signs of a row; none of one that says nothing new."""
        kept = self._of(fixture)
        match row:
            case StateRow() | StandingRow():
                return self._state(fixture, kept, row)
            case EventRow():
                return self._event(fixture, kept, row)
            case AlarmOver():
                return self._over(fixture, kept, row.kind)
            case CycleRecord():
                kept.figures.cycle(row)
                return [
                    *self._said(kept, kept.figures.sign(fixture, kept.run)),
                    *self._signal(fixture, kept, row),
                ]
            case _:
                return []

    def host(self, condition: str, *, there: bool, said: str = "") -> list[Sign]:
        """What the daemon itself knows of its host; a moment is told each time."""
        if CONDITIONS[condition].passes:
            return [Sign(HOST, condition, there=True, said=said)] if there else []
        was = condition in self._host
        if there == was:
            return []
        if there:
            self._host[condition] = set()
        else:
            del self._host[condition]
        return [Sign(HOST, condition, there=there, said=said)]

    def _state(self, fixture: str, kept: _Fixture, row: StateRow | StandingRow) -> list[Sign]:
        if row.state == STARTING:
            return []
        signs = self._entered(fixture, kept, row.run)
        signs += self._settled(fixture, kept, row)
        for sign in _of_state(fixture, kept, row):
            signs += self._said(kept, sign)
        return signs

    def _entered(self, fixture: str, kept: _Fixture, run: str) -> list[Sign]:
        """Another run begins without what was said of the one before."""
        if not run or run == kept.run:
            return []
        before, kept.run = kept.run, run
        kept.figures.begin()
        kept.signal_ts = 0
        if not before:
            return []
        return [sign for word in list(kept.there) for sign in self._gone(fixture, kept, word)]

    def _settled(self, fixture: str, kept: _Fixture, row: StateRow | StandingRow) -> list[Sign]:
        """What becomes of what an earlier daemon knew, by what the fixture does now."""
        found, kept.found = kept.found, set()
        signs: list[Sign] = []
        for word in sorted(found - OF_STATES):
            if not _goes_on(word, row):
                signs += self._gone(fixture, kept, word)
        for word in sorted(set(self._host) & known.OF_THE_HOST):
            if not self._host[word] and fixture:  # nobody has said so since the start
                signs += self._host_left(word, fixture)
        return signs

    def _event(self, fixture: str, kept: _Fixture, row: EventRow) -> list[Sign]:
        if row.kind == REPEATED:
            return []
        signs: list[Sign] = []
        if row.kind in known.SIGNAL_EVENTS:
            kept.signal_ts = row.ts
            signs += self._said(kept, Sign(fixture, known.SIGNAL, there=True, said=row.detail, run=kept.run))
        passing = _passing(row)
        if passing is not None:
            place = HOST if passing in known.OF_THE_HOST else fixture
            signs.append(
                Sign(place, passing, there=True, said=row.detail, run="" if place == HOST else kept.run)
            )
        if row.kind == NIGHT and row.severity == WARNING:
            signs += self._said(
                kept, Sign(fixture, known.REJECTED, there=True, said=row.detail, run=kept.run)
            )
        if row.severity != ALARM or row.kind in known.OF_TRENDS:
            return signs
        if row.kind in known.OF_THE_HOST:
            first = row.kind not in self._host
            self._host.setdefault(row.kind, set()).add(fixture)
            return [*signs, Sign(HOST, row.kind, there=True, said=row.detail)] if first else signs
        word = _word(row.kind)
        if word == OTHER:
            kept.others[row.kind] = row.detail
        kept.found.discard(word)
        return [
            *signs,
            *self._said(kept, Sign(fixture, word, there=True, said=row.detail, run=kept.run), anew=True),
        ]

    def _signal(self, fixture: str, kept: _Fixture, cycle: CycleRecord) -> list[Sign]:
        """A torque signal that left its range is in order again when a whole cycle shows nothing of it: its events are counted, not told."""
        before, symptoms = kept.there.get(known.SIGNAL), cycle.symptoms
        if symptoms is None or (before is None and not kept.signal_ts):
            return []
        if not (symptoms.railed or symptoms.jumps):
            whole = cycle.ts_start > kept.signal_ts
            return self._gone(fixture, kept, known.SIGNAL) if whole and before is not None else []
        kept.signal_ts = cycle.ts_end
        said = (
            f"the torque signal was at the end of its range for {symptoms.railed} samples and jumped {symptoms.jumps} times "
            f"in cycle {cycle.cycle_no}"
        )
        return (
            []
            if before is not None
            else self._said(kept, Sign(fixture, known.SIGNAL, there=True, said=said, run=kept.run))
        )

    def _over(self, fixture: str, kept: _Fixture, kind: str) -> list[Sign]:
        if kind in known.OF_THE_HOST:
            return self._host_left(kind, fixture)
        word = _word(kind)
        if word == OTHER:
            kept.others.pop(kind, None)
            if kept.others:
                return []
        return self._gone(fixture, kept, word) if word not in OF_STATES else []

    def _host_left(self, kind: str, fixture: str) -> list[Sign]:
        """The last fixture has it no more."""
        if kind not in self._host:
            return []
        self._host[kind].discard(fixture)
        if self._host[kind]:
            return []
        del self._host[kind]
        return [Sign(HOST, kind, there=False)]

    def _said(self, kept: _Fixture, sign: Sign, *, anew: bool = False) -> list[Sign]:
        """A sign unless it says what was said already."""
        before = kept.there.get(sign.condition)
        if not sign.there:
            return self._gone(sign.fixture, kept, sign.condition)
        same = before is not None and (before.severity, before.parts) == (sign.severity, sign.parts)
        kept.there[sign.condition] = sign
        return [] if same and not anew else [sign]

    def _gone(self, fixture: str, kept: _Fixture, word: str) -> list[Sign]:
        if kept.there.pop(word, None) is None:
            return []
        kept.others = {} if word == OTHER else kept.others
        return [Sign(fixture, word, there=False, run=kept.run)]

    def _of(self, fixture: str) -> _Fixture:
        if fixture not in self._fixtures:
            self._fixtures[fixture] = _Fixture()
        return self._fixtures[fixture]


def _of_state(fixture: str, kept: _Fixture, row: StateRow | StandingRow) -> list[Sign]:
    """Every condition that a state decides, there or not."""
    run = kept.run

    def sign(word: str, said: str) -> Sign:
        return Sign(fixture, word, there=bool(said), said=said, run=run)

    if isinstance(row, StandingRow):
        signs = [
            sign(known.UNRECORDED, row.reason if row.state == UNRECORDED else ""),
            sign(known.FAILED, row.reason if row.state == FAILED else ""),
        ]
        over = [sign(known.WAITS, ""), sign(known.LINE, "")] if row.state == NO_RUN else []
        return [*signs, *over]
    kept.figures.notices = row.trends
    open_run = row.state != ENDED
    waits = row.locks[0].text if row.state == LOCKED and row.locks else ""
    down = f"no session with the device: {row.link}" if open_run and row.link != RUNNING else ""
    return [
        sign(known.UNRECORDED, ""),
        sign(known.FAILED, ""),
        sign(known.WAITS, waits),
        sign(known.LINE, down),
        kept.figures.sign(fixture, run),
        _calibration(fixture, kept, row.ts),
    ]


def _calibration(fixture: str, kept: _Fixture, ts: int) -> Sign:
    """A calibration that is due by its record, or will be within a month."""
    if kept.due is None:
        return Sign(fixture, known.CALIBRATION, there=False, run=kept.run)
    left_days = kept.due.toordinal() - datetime.fromtimestamp(ts // NS_PER_S, UTC).toordinal()
    if left_days > DUE_NOTE_DAYS:
        return Sign(fixture, known.CALIBRATION, there=False, run=kept.run)
    said = f"the transducer's calibration is due on {kept.due.isoformat()}"
    return Sign(
        fixture,
        known.CALIBRATION,
        there=True,
        said=said,
        severity=NOTE if left_days > 0 else TODAY,
        run=kept.run,
    )


def _passing(row: EventRow) -> str | None:
    """The condition of which an event is a moment."""
    if row.kind in known.CLOCK_EVENTS:
        return known.CLOCK
    if row.kind == LEASE:
        return known.LEASES
    if row.kind == SHUNT and row.severity == WARNING:
        return known.SHUNT
    return row.kind if row.kind in known.FROM_WARNINGS else None


def _word(kind: str) -> str:
    """The condition that an event of severity alarm raises."""
    return kind if kind in CONDITIONS else OTHER


def _goes_on(word: str, row: StateRow | StandingRow) -> bool:
    """Whether what an earlier daemon knew still needs a person, by what its fixture does now."""
    if not row.run:
        return False
    if word == known.SIGNAL:
        return True  # until a whole cycle shows nothing of it
    waits_for = ends_with(word) if word not in UNTIL_NEXT_RUN else EndsWith.NEXT_RUN
    if isinstance(row, StandingRow):
        return waits_for is EndsWith.NEXT_RUN and row.state == NO_RUN
    if waits_for is EndsWith.GO:
        return bool(row.locks) and row.state != ENDED
    return waits_for is EndsWith.NEXT_RUN and row.state == ENDED
