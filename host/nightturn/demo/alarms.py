"""The alarms of the demo's night: rows of three processes whose virtual clocks run apart, put in order before anybody judges them."""

from pathlib import Path

from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.telling import Sink
from nightturn.bench.worlds import InlineOffload
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import AlarmOver, EventRow, StateRow
from nightturn.storage.files import RealFiles
from nightturn.world import World

HOUR_NS = 3600 * 10**9


class _NightClock:
    """The time of the row that is judged."""

    def __init__(self, ts: int) -> None:
        self.ts = ts

    def monotonic_ns(self) -> int:
        return self.ts

    def utc_ns(self) -> int:
        return self.ts


class NightAlarms:
    """Takes rows in any order; judges them in that of their times, up to where every fixture has come."""

    def __init__(
        self, root: Path, start_utc_ns: int, fixtures: list[str], boot: str, publisher: Sink | None
    ) -> None:
        self._start_utc_ns = start_utc_ns
        self._clock = _NightClock(start_utc_ns)
        world = World(self._clock, RealFiles(root), InlineOffload())
        self._desk = AlarmDesk(world, fixtures, boot, [publisher] if publisher is not None else [])
        self._rows: list[tuple[int, int, str, Emit]] = []
        self._taken = 0

    def announce(self, fixture: str, info: dict[str, object]) -> None:
        """What stands on a fixture."""
        self._desk.announce(fixture, info)

    def offer(self, fixture: str, emit: Emit) -> None:
        """A row of a fixture, of the kinds that alarms follow from."""
        row = emit.row
        if isinstance(row, StateRow | EventRow | AlarmOver | CycleRecord):
            ts = row.ts_end if isinstance(row, CycleRecord) else row.ts
            self._rows.append((ts, self._taken, fixture, emit))
            self._taken += 1

    def until(self, hour: float) -> None:
        """Every fixture has come so far, hours behind the begin of the night."""
        self._judge(self._start_utc_ns + round(hour * HOUR_NS))

    def close(self) -> None:
        """The night is over: what is left is judged, and the log kept."""
        self._judge(max((ts for ts, *_ in self._rows), default=self._clock.ts))

    def _judge(self, until_ts: int) -> None:
        due = sorted(each for each in self._rows if each[0] <= until_ts)
        self._rows = [each for each in self._rows if each[0] > until_ts]
        for ts, _, fixture, emit in due:
            self._clock.ts = max(self._clock.ts, ts)
            self._desk.tick()
            self._desk.offer(fixture, emit)
        self._clock.ts = max(self._clock.ts, until_ts)
        self._desk.tick()
        self._desk.keep_now()
