"""What the page has heard of each fixture from its daemon, and how long ago: nothing here is older than it says."""

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import msgspec

from nightturn.model.rows import LiveRow, StandingRow, StateRow
from nightturn.model.traces import Trace
from nightturn.web.feed import Fixtures, Message, Newest, Word

SILENT_S = 5.0
"""A fixture says something every second; after so long without a word nothing is known of now."""
TRACES_MAX = 60
"""Of a second each: the last minute."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What is known of one fixture.

    Attributes:
        state, standing: what it does; one of them where anything was said.
        live: what its sensors show; None where they show nothing now.
        expected_end_ns: when its plan will be through, UTC; None where that cannot be said.
        cycle: newest finished one of the run that is open.
        age_s: since its last word, where no core speaks for it since the daemon's. silent: whether that is too long.
    """

    state: StateRow | None = None
    standing: StandingRow | None = None
    live: LiveRow | None = None
    expected_end_ns: int | None = None
    cycle: Newest | None = None
    age_s: float = float("inf")

    @property
    def silent(self) -> bool:
        """Whether nothing is known of now."""
        return self.age_s > SILENT_S


@dataclass(slots=True)
class _Kept:
    heard: Heard = field(default_factory=Heard)
    at_s: float = float("-inf")
    traces: deque[Trace] = field(default_factory=lambda: deque(maxlen=TRACES_MAX))


class Hearing:
    """Takes messages from one thread and answers any other; `monotonic` is the clock by which words grow old."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._kept: dict[str, _Kept] = {}
        self._lock = threading.Lock()
        self._beat_s = float("-inf")
        self.fixtures: Fixtures | None = None
        self._decode = msgspec.msgpack.Decoder(Message).decode

    def take(self, message: bytes) -> None:
        """One message of the daemon."""
        said = self._decode(message)
        self._beat_s = self._monotonic()
        if said.fixtures is not None:
            self.fixtures = said.fixtures
        with self._lock:
            for word in said.words:
                self._word(word)

    def heard(self, fixture: str) -> Heard | None:
        """What is known of a fixture; None where its daemon has not spoken of it."""
        with self._lock:
            kept = self._kept.get(fixture)
            if kept is None:
                return None
            heard = kept.heard
            at_s = kept.at_s if heard.standing is None else self._beat_s
        age_s = max(self._monotonic() - at_s, 0.0)
        return replace(heard, age_s=age_s)

    def traces(self, fixture: str) -> tuple[Trace, ...]:
        """Torque of the last minute, oldest first; nothing of a fixture that is silent."""
        heard = self.heard(fixture)
        if heard is None or heard.silent or heard.live is None or heard.live.trace is None:
            return ()
        with self._lock:
            return tuple(self._kept[fixture].traces)

    def _word(self, word: Word) -> None:
        kept = self._kept.setdefault(word.fixture, _Kept())
        before = kept.heard
        state, standing = before.state, before.standing
        live, end_ns = word.live or before.live, before.expected_end_ns
        cycle = word.cycle or before.cycle
        if word.state is not None and before.state is not None and word.state.run != before.state.run:
            cycle = word.cycle
        if word.state is not None:
            state, standing, end_ns = word.state, None, word.expected_end_ns
        if word.standing is not None:
            state, standing, live, end_ns, cycle = None, word.standing, None, None, None
            kept.traces.clear()
        if word.live is not None and word.live.trace is not None:
            kept.traces.append(word.live.trace)
        kept.heard = Heard(state, standing, live, end_ns, cycle)
        kept.at_s = self._monotonic()
