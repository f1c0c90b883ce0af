"""What a daemon says to its page: the newest word of each fixture, over a pipe that nobody on the daemon's loop ever waits for."""

import threading
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection

import msgspec

from nightturn.estimation.intervals import half_width
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import LiveRow, StandingRow, StateRow
from nightturn.telemetry.progress import Progress

PERIOD_S = 0.25
"""Between two messages; what comes faster is replaced by what is newer."""
BEAT_S = 1.0
"""As often at least a message goes out, so that silence is known from having nothing to say."""


class Newest(msgspec.Struct, frozen=True):
    """The newest cycle of a run: its number, when it ended, UTC, and of each figure name, value and ± of the 95 % interval, None where there is none."""

    cycle_no: int
    ts: int
    figures: tuple[tuple[str, float | None, float | None], ...]


class Word(msgspec.Struct, frozen=True):
    """The newest that is known of a fixture; None where nothing new came since the word before.

    Attributes:
        standing: what stands in place of a core that says nothing; it and `state` exclude each other.
        cycle: newest finished one; it reaches a page before its files do.
        expected_end_ns: when the plan will be through if nothing interrupts it, UTC; None where that cannot be said.
    """

    fixture: str
    state: StateRow | None = None
    standing: StandingRow | None = None
    live: LiveRow | None = None
    cycle: Newest | None = None
    expected_end_ns: int | None = None


class Fixtures(msgspec.Struct, frozen=True):
    """Which fixtures the daemon has, in the rig's order, and where: its lab, lab and bench in words, whose clocks."""

    names: tuple[str, ...]
    lab: str
    place: str
    timezone: str


class Message(msgspec.Struct, frozen=True):
    """What goes over the pipe at once."""

    fixtures: Fixtures | None = None
    words: tuple[Word, ...] = ()


class Feed:
    """A sink whose rows go to the page; `offer` puts them where a thread fetches them.

    Attributes:
        replaced: rows that were never sent, because a newer one of their kind came first.
    """

    def __init__(self, fixtures: Fixtures) -> None:
        """Nothing is sent before `start`."""
        self._fixtures = fixtures
        self._progress = {name: Progress() for name in fixtures.names}
        self._runs: dict[str, str] = {}
        self._newest: dict[str, Word] = {}
        self._known: dict[str, Word] = {}
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._over = threading.Event()
        self.replaced = 0

    def offer(self, fixture: str, emit: Emit) -> None:
        """A row of a fixture; most are read from the disk by the page itself."""
        row = emit.row
        if isinstance(row, CycleRecord):
            self._progress[fixture].add(row)
            newest = _newest(row)
            self._put(fixture, lambda word: msgspec.structs.replace(word, cycle=newest))
        elif isinstance(row, StateRow):
            self._state(fixture, row)
        elif isinstance(row, StandingRow):
            self._put(
                fixture, lambda word: msgspec.structs.replace(word, state=None, standing=row, live=None)
            )
        elif isinstance(row, LiveRow):
            self._put(fixture, lambda word: msgspec.structs.replace(word, live=row))

    def start(self, line: "Connection[bytes, bytes]", gone: Callable[[], None]) -> None:
        """Send from now on what is known and what is new; `gone` is called once when nobody reads any more, from that thread."""
        with self._lock:
            self._newest = dict(self._known)
        threading.Thread(target=self._send, args=(line, gone), name="nightturn-feed", daemon=True).start()

    def close(self) -> None:
        """Nothing more is sent."""
        self._over.set()
        self._wake.set()

    def _state(self, fixture: str, row: StateRow) -> None:
        if self._runs.get(fixture) != row.run:
            self._runs[fixture] = row.run
            self._progress[fixture].begin()
        end_ns = self._progress[fixture].expected_end_ns(row)
        self._put(
            fixture,
            lambda word: msgspec.structs.replace(word, state=row, standing=None, expected_end_ns=end_ns),
        )

    def _put(self, fixture: str, change: Callable[[Word], Word]) -> None:
        with self._lock:
            before = self._newest.get(fixture)
            after = change(before or Word(fixture))
            if before is not None and before.live is not None and after.live is not before.live:
                self.replaced += 1
            self._newest[fixture] = after
            self._known[fixture] = change(self._known.get(fixture, Word(fixture)))
        self._wake.set()

    def _take(self) -> Sequence[Word]:
        with self._lock:
            words, self._newest = tuple(self._newest.values()), {}
        return words

    def _send(self, line: "Connection[bytes, bytes]", gone: Callable[[], None]) -> None:
        encode = msgspec.msgpack.Encoder().encode
        try:
            line.send_bytes(encode(Message(self._fixtures)))
            while not self._over.wait(PERIOD_S):
                self._wake.wait(BEAT_S - PERIOD_S)
                self._wake.clear()
                line.send_bytes(encode(Message(words=tuple(self._take()))))
        except OSError:
            if not self._over.is_set():
                gone()


def _newest(cycle: CycleRecord) -> Newest:
    figures = (
        (each.name, each.value if each.status == OK else None, half_width(each)) for each in cycle.figures
    )
    return Newest(cycle.cycle_no, cycle.ts_end, tuple(figures))
