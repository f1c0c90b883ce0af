"""The state of the alarms with what has changed of it since somebody looked."""

import heapq

from nightturn.alarms.conditions import FLOOD
from nightturn.alarms.kept import BY_FLOOD, Kept, State
from nightturn.alarms.lifecycle import Input, moved
from nightturn.alarms.words import Moved
from nightturn.model.alarms import HOST, AlarmRow, AlarmState
from nightturn.model.clocks import NS_PER_S


class Changes:
    """Changes alarms one at a time and keeps a word of each."""

    def __init__(self, state: State) -> None:
        self.state = state
        self._dues = [(due, each.name) for each in state.kept.values() if (due := each.due_ts) is not None]
        heapq.heapify(self._dues)
        self._moved: list[Moved] = []

    def taken(self) -> tuple[Moved, ...]:
        """The changes since the last call."""
        found, self._moved = tuple(self._moved), []
        return found

    def wait(self, kept: Kept, due_ts: int) -> None:
        """Time alone will change something of a condition at `due_ts`."""
        heapq.heappush(self._dues, (due_ts, kept.name))

    def next_due(self) -> tuple[int, str] | None:
        """When time alone changes something next, and of what; None where it does not."""
        while self._dues:
            due_ts, name = self._dues[0]
            kept = self.state.kept.get(name)
            if kept is not None and kept.due_ts == due_ts:
                return due_ts, name
            heapq.heappop(
                self._dues
            )  # it is waited for no more, or for another time, which is in the heap as well
        return None

    def row(self, kept: Kept) -> AlarmRow:
        """An alarm as people see it."""
        gathers = 0
        if kept.key == (HOST, FLOOD):
            gathers = sum(each.open and each.explained_by == BY_FLOOD for each in self.state.kept.values())
        return kept.row(out=self.state.out.get(kept.fixture), gathers=gathers)

    def begin(self, fixture: str, condition: str) -> Kept:
        """Something is to be kept of a condition of which nothing was."""
        kept = Kept(fixture, condition)
        self.state.kept[kept.name] = kept
        return kept

    def forget(self, kept: Kept) -> None:
        """Nothing is kept of a condition that is not there and has no alarm."""
        if kept.idle:
            self.state.kept.pop(kept.name, None)

    def there(self, kept: Kept) -> None:
        """The cause is there: an alarm follows when it stays."""
        kept.there, kept.there_ts = True, self.state.ts
        if kept.lasts:
            kept.return_ts = None  # it was gone for less than its delay
            return
        kept.raise_ts = self.state.ts + round(kept.condition.on_s * NS_PER_S)
        self.wait(kept, kept.raise_ts)

    def gone(self, kept: Kept) -> None:
        """The cause is gone: the alarm returns when it stays away."""
        if not kept.there:
            return
        kept.there, kept.raise_ts = False, None
        if kept.lasts:
            kept.return_ts = self.state.ts + round(kept.condition.off_s * NS_PER_S)
            self.wait(kept, kept.return_ts)
        self.forget(kept)

    def move(self, kept: Kept, given: Input, why: str) -> None:
        """One step of an alarm's life; nothing where the table has none."""
        was, now = kept.state, moved(kept.state, given)
        if now is None:
            if given is Input.RAISE:
                self.say(kept, was, why)
            return
        state, kept.state = self.state, now
        if given is Input.RAISE:
            if was is AlarmState.NORMAL:
                state.numbers += 1
                kept.number, kept.times, kept.since_ts = state.numbers, 0, kept.there_ts
            kept.times += 1
            kept.acknowledged_by, kept.acknowledged_ts, kept.returned_ts = "", None, None
        elif given is not Input.ACKNOWLEDGE:
            kept.returned_ts = state.ts
        self.say(kept, was, why)
        if now is AlarmState.NORMAL:
            kept.explained_by = ""

    def say(self, kept: Kept, was: AlarmState, why: str) -> None:
        """An alarm has changed: it calls for a person where nobody knows of it yet and nothing keeps it quiet."""
        row = self.row(kept)
        calls = row.calls and row.state is AlarmState.ACTIVE
        if calls:
            kept.called_ts = self.state.ts
        self._moved.append(Moved(was, why, calls, row))
