"""The core of the alarms: words in, alarms and their changes out. Its only clock is the time that comes with each word.

What falls due between two words is worked out at its own due time before the later word is taken, so the same words give the same
changes, however often somebody asks in between. A replay of the log needs nothing but its words.
"""

from nightturn.alarms import explaining, flooding, people
from nightturn.alarms.changes import Changes
from nightturn.alarms.kept import BY_FLOOD, State, from_bytes, more_urgent, to_bytes
from nightturn.alarms.lifecycle import Input
from nightturn.alarms.words import (
    Acknowledge,
    Audited,
    Begun,
    Given,
    Moved,
    OutOfService,
    PutBack,
    SetAside,
    Sign,
    Taken,
)
from nightturn.model.alarms import AlarmRow
from nightturn.model.clocks import NS_PER_S
from nightturn.model.trends import ACT_NOW, NOTE, URGENCIES

OPEN_MAX = 5000
"""So many conditions are kept at most: all of ten for each of 500 fixtures."""


class Alarms:
    """All alarms of one host. Times are UTC ns and never go back; whoever calls sees to that."""

    def __init__(self) -> None:
        self._changes = Changes(State())

    @property
    def ts(self) -> int:
        """Of the newest word or moment."""
        return self._changes.state.ts

    @property
    def due_ts(self) -> int | None:
        """When time alone changes something next; None where it does not."""
        due = self._changes.next_due()
        return due[0] if due is not None else None

    @property
    def unlisted(self) -> int:
        """Alarms that found no place among `OPEN_MAX`."""
        return self._changes.state.unlisted

    def rows(self) -> list[AlarmRow]:
        """The alarms that are open: those that call for a person first, the most urgent first, then the oldest."""
        rows = [self._changes.row(each) for each in self._changes.state.kept.values() if each.open]
        return sorted(rows, key=lambda row: (not row.calls, -URGENCIES.index(row.severity), row.since_ts))

    def causes(self) -> list[Sign]:
        """What is there by the newest signs, whether it is an alarm yet or not; a flood is none, it follows from others."""
        return [
            Sign(
                each.fixture,
                each.id,
                there=True,
                said=each.said,
                severity=each.severity,
                run=each.run,
                parts=each.parts,
            )
            for each in self._changes.state.kept.values()
            if each.there and each.name != BY_FLOOD
        ]

    def handle(self, ts: int, given: Given) -> Taken:
        """Take a word that came at `ts`; what was due before happens before."""
        if isinstance(given, Begun):
            self._begun()
        self._pass(ts)
        refusal = self._take(given)
        self._pass(ts)  # what has no delay
        return Taken(self._changes.taken(), refusal)

    def advance(self, ts: int) -> tuple[Moved, ...]:
        """Time has passed: everything that was due up to `ts`, each at its own time and in one order."""
        self._pass(ts)
        return self._changes.taken()

    def _pass(self, ts: int) -> None:
        state = self._changes.state
        while (due := self._changes.next_due()) is not None and due[0] <= ts:
            state.ts = max(state.ts, due[0])
            self._due(due[1])
        state.ts = max(state.ts, ts)

    def snapshot(self) -> bytes:
        """The whole state as bytes."""
        return to_bytes(self._changes.state)

    def restore(self, packed: bytes) -> None:
        """Take over a state written by `snapshot`.

        Raises:
            msgspec.DecodeError: the bytes are no state of this version.
        """
        self._changes = Changes(from_bytes(packed))

    def _begun(self) -> None:
        """Nobody has looked for a while: what was not an alarm yet is none because of that; who begins says anew what is there."""
        for kept in list(self._changes.state.kept.values()):
            if kept.raise_ts is not None:
                kept.there, kept.raise_ts = False, None
                self._changes.forget(kept)

    def _take(self, given: Given) -> str:
        match given:
            case Sign():
                self._sign(given)
            case Acknowledge():
                return people.acknowledge(self._changes, given)
            case SetAside() | OutOfService() | PutBack():
                return people.put(self._changes, given)
            case Begun() | Audited():
                pass
        return ""

    def _sign(self, sign: Sign) -> None:
        """The cause of a condition is there, or gone."""
        changes = self._changes
        state = changes.state
        name = f"{sign.fixture}/{sign.condition}"
        kept = state.kept.get(name)
        if kept is None:
            if not sign.there:
                return
            if len(state.kept) >= OPEN_MAX:
                state.unlisted += 1
                return
            kept = changes.begin(sign.fixture, sign.condition)
        condition = kept.condition
        if not sign.there:
            kept.parts = ()
            changes.gone(kept)
            return
        severity = sign.severity or condition.severity
        urgent = more_urgent(severity, kept.severity)
        news = urgent or (severity == ACT_NOW and not set(sign.parts) <= set(kept.parts))
        kept.newest_ts, kept.said, kept.severity, kept.run = state.ts, sign.said, severity, sign.run
        kept.parts = sign.parts
        if condition.passes and not kept.hit(state.ts):
            return
        if urgent and kept.set_aside is not None and severity == ACT_NOW:
            kept.set_aside = None
        if not kept.there:
            changes.there(kept)
            explaining.come_back(changes, kept)
        elif kept.lasts and news:
            changes.move(kept, Input.RAISE, "more urgent" if urgent else "more has come")
        if condition.passes:
            self._passed(name)

    def _passed(self, name: str) -> None:
        """A moment has no end of its own: raised at once, it waits for its quiet time."""
        kept = self._changes.state.kept[name]
        if kept.raise_ts is not None:
            self._due(name)
        kept.there = False
        kept.return_ts = self._changes.state.ts + round(kept.condition.off_s * NS_PER_S)
        self._changes.wait(kept, kept.return_ts)

    def _due(self, name: str) -> None:
        """Whatever of one condition is due now."""
        changes, state = self._changes, self._changes.state
        kept = state.kept[name]
        if kept.set_aside is not None and (kept.set_aside.until_ts or 0) <= state.ts:
            kept.set_aside = None
            if kept.open:
                changes.say(kept, kept.state, "no longer set aside")
        if kept.raise_ts is not None and kept.raise_ts <= state.ts:
            kept.raise_ts = None
            self._raise(name)
        if kept.return_ts is not None and kept.return_ts <= state.ts:
            kept.return_ts = None
            self._return(name)
        changes.forget(kept)

    def _raise(self, name: str) -> None:
        changes = self._changes
        kept = changes.state.kept[name]
        kept.explained_by = explaining.cause_of(changes.state, kept)
        if kept.severity != NOTE:
            flooding.joined(changes, kept)
        changes.move(
            kept, Input.RAISE, f"explained by {kept.explained_by}" if kept.explained_by else "raised"
        )
        explaining.explain(changes, kept)
        if flooding.begins(changes):
            flooding.begin(changes)

    def _return(self, name: str) -> None:
        changes = self._changes
        kept = changes.state.kept[name]
        explained_by = kept.explained_by
        if kept.condition.latched:
            given = Input.LATCH
        elif kept.severity == NOTE or explained_by:
            given = Input.CLEAR
        else:
            given = Input.RETURN
        changes.move(kept, given, "returned")
        explaining.let_go(changes, kept)
        if explained_by == BY_FLOOD:
            flooding.member_gone(changes)
