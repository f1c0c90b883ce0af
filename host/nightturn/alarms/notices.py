"""Who is sent word of which alarm, and when: once, not at night unless it cannot wait, and again where nobody answers. Pure.

What is to act on now goes at once, what is for today after five minutes without an acknowledgement and not in quiet hours, notes with the
daily word only. Ten seconds are waited first, so that a flood is one message (public summaries of alarm standards ask for
few messages; the delays themselves are common practice, no source).
"""

from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from nightturn.model.alarms import AlarmRow, AlarmState
from nightturn.model.clocks import NS_PER_S
from nightturn.model.trends import ACT_NOW, NOTE

GATHER_S = 10.0
TODAY_S = 300.0
MINUTES_A_DAY = 24 * 60
TOLD_MAX = 5000
"""Alarms of which is remembered what was sent, the newest."""

Kind = Literal["alarm", "escalation", "alive"]


class Rules(msgspec.Struct, frozen=True, kw_only=True):
    """When word is sent; minutes of the day are local.

    Attributes:
        quiet_from, quiet_to: quiet hours; alike: there are none. escalate_s: so long without an acknowledgement somebody else is sent word;
            None: nobody is. alive_at: when a day's word goes out that all is well or what is open; None: never.
    """

    quiet_from: int = 0
    quiet_to: int = 0
    escalate_s: float | None = None
    alive_at: int | None = None


class Word(msgspec.Struct, frozen=True, kw_only=True):
    """One message to people: its kind, its text, and the alarms that it is about."""

    kind: Kind
    text: str
    rows: tuple[AlarmRow, ...] = ()


class Sent(msgspec.Struct):
    """What has been sent: by alarm (`fixture/id#number` and urgency), those that somebody else was sent, and the day of the daily word."""

    told: dict[str, int] = {}
    escalated: dict[str, int] = {}
    alive_day: int = -1


class Notices:
    """Decides, whenever somebody asks, what is to be sent."""

    def __init__(self, rules: Rules, sent: Sent | None = None) -> None:
        self._rules = rules
        self.sent = sent or Sent()

    def due(self, now_ts: int, local_minute: int, local_day: int, rows: Sequence[AlarmRow]) -> list[Word]:
        """What is to be sent now.

        Args:
            now_ts: UTC ns.
            local_minute: of the day, by people's clocks.
            local_day: any number of that day.
            rows: the open alarms.
        """
        words = []
        waits = [row for row in rows if row.calls and row.state is AlarmState.ACTIVE and row.severity != NOTE]
        fresh = [row for row in waits if self._is_due(now_ts, local_minute, row)]
        if fresh:
            for row in fresh:
                _remember(self.sent.told, _key(row), now_ts)
            words.append(Word(kind="alarm", text=_text(fresh), rows=tuple(fresh)))
        late = [row for row in waits if self._unanswered(now_ts, row)]
        if late:
            for row in late:
                _remember(self.sent.escalated, _key(row), now_ts)
            words.append(
                Word(kind="escalation", text=f"nobody has acknowledged: {_text(late)}", rows=tuple(late))
            )
        at = self._rules.alive_at
        if at is not None and local_minute >= at and local_day != self.sent.alive_day:
            self.sent.alive_day = local_day
            words.append(Word(kind="alive", text=_alive(rows), rows=tuple(rows)))
        return words

    def _is_due(self, now_ts: int, local_minute: int, row: AlarmRow) -> bool:
        if _key(row) in self.sent.told:
            return False
        urgent = row.severity == ACT_NOW
        if not urgent and self._quiet(local_minute):
            return False
        return now_ts - row.newest_ts >= (GATHER_S if urgent else TODAY_S) * NS_PER_S

    def _unanswered(self, now_ts: int, row: AlarmRow) -> bool:
        after_s, told_ts = self._rules.escalate_s, self.sent.told.get(_key(row))
        if after_s is None or told_ts is None or _key(row) in self.sent.escalated:
            return False
        return now_ts - told_ts >= after_s * NS_PER_S

    def _quiet(self, minute: int) -> bool:
        """Quiet hours may go over midnight."""
        begin, end = self._rules.quiet_from, self._rules.quiet_to
        if begin == end:
            return False
        return (minute - begin) % MINUTES_A_DAY < (end - begin) % MINUTES_A_DAY


def _key(row: AlarmRow) -> str:
    """One that becomes more urgent is another piece of news."""
    return f"{row.fixture}/{row.id}#{row.number} {row.severity}"


def _remember(where: dict[str, int], key: str, ts: int) -> None:
    where[key] = ts
    while len(where) > TOLD_MAX:
        del where[next(iter(where))]


def _text(rows: Iterable[AlarmRow]) -> str:
    """A line an alarm: how urgent, whose, what happened, what to do."""
    return "\n".join(
        f"{row.severity}: {row.fixture}: {row.title}: {row.said}. What to do: {row.todo}" for row in rows
    )


def _alive(rows: Sequence[AlarmRow]) -> str:
    shown = [row for row in rows if not row.quiet]
    if not shown:
        return "nightturn is there; no alarm is open"
    return f"nightturn is there; open are:\n{_text(shown)}"
