"""A bad cable: a pty in front of a device's line that flips, drops, inserts, repeats, delays and hangs up, by seed.

`Mangler` is the pure part: bytes in, bytes and mishaps out. `FaultProxy` is a thread that carries bytes between the two
lines through one of them for each direction.
"""

import os
import pty
import select
import threading
import time
import tty
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np
from tests.waiting import act_for

BURST_BYTES = 16
DUPLICATE_BYTES_MAX = 40
WAITING_BYTES_MAX = 1 << 20  # towards an end that does not read; more is dropped and counted
POLL_S = 0.002
HEALED_S = 1.0  # four times as long as a host waits for a lost block
READ_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Rates:
    """How often each mishap comes, per byte; 0 = never.

    Attributes:
        delay: the line stands still for up to `delay_s_max`.
        hang_up: the near end closes and comes back up to `away_s_max` later.
        frame: the chance that a whole frame, up to and with its delimiter, is swallowed; per frame, not per byte.
    """

    flip: float = 0.0
    drop: float = 0.0
    insert: float = 0.0
    duplicate: float = 0.0
    burst: float = 0.0
    delay: float = 0.0
    hang_up: float = 0.0
    frame: float = 0.0
    delay_s_max: float = 0.3
    away_s_max: float = 1.0

    def of(self, kind: str) -> float:
        """The rate of one kind."""
        rate: float = getattr(self, kind)
        return rate


KINDS = ("flip", "drop", "insert", "duplicate", "burst", "delay", "hang_up")


@dataclass(frozen=True, slots=True)
class Mangled:
    """What became of some bytes: what goes on, and for how long the line then stands still or is away."""

    content: bytes
    delay_s: float = 0.0
    away_s: float = 0.0


class Mangler:
    """One direction of a bad line; the same seed and the same bytes give the same mishaps however they are split."""

    def __init__(self, seed: int, rates: Rates) -> None:
        self._rng = np.random.default_rng(seed)
        self._rates = rates
        self._at = 0  # bytes seen
        self._next = {kind: self._interval(kind) for kind in KINDS if rates.of(kind) > 0}
        self._recent = b""
        self._swallowing = False
        self._sound = False
        self.counts: Counter[str] = Counter()

    def _interval(self, kind: str) -> int:
        return int(self._rng.geometric(self._rates.of(kind)))

    def heal(self) -> None:
        """No more mishaps from here on; a frame that is being swallowed is swallowed to its end."""
        self._sound = True

    def feed(self, content: bytes) -> list[Mangled]:
        """Bytes as they come; pieces of them, ended where the line stands still or goes away."""
        found: list[Mangled] = []
        held = bytearray()
        for byte in content:
            self._at += 1
            kinds = [] if self._sound else [kind for kind, at in self._next.items() if at <= self._at]
            for kind in kinds:
                self._next[kind] = self._at + self._interval(kind)
                self.counts[kind] += 1
            if not self._swallowed(byte):
                self._one(byte, kinds, held)
            self._recent = (self._recent + bytes([byte]))[-DUPLICATE_BYTES_MAX:]
            if "delay" in kinds or "hang_up" in kinds:
                delay_s = self._rng.uniform(0, self._rates.delay_s_max) if "delay" in kinds else 0.0
                away_s = self._rng.uniform(0.1, self._rates.away_s_max) if "hang_up" in kinds else 0.0
                found.append(Mangled(bytes(held), float(delay_s), float(away_s)))
                held.clear()
        if held:
            found.append(Mangled(bytes(held)))
        return found

    def _swallowed(self, byte: int) -> bool:
        """Whether this byte belongs to a frame that is swallowed; chance is asked at each delimiter."""
        swallowed = self._swallowing
        if byte == 0 and self._rates.frame > 0:
            self._swallowing = bool(self._rng.random() < self._rates.frame) and not self._sound
            self.counts["frame"] += self._swallowing
        return swallowed

    def _one(self, byte: int, kinds: list[str], out: bytearray) -> None:
        if "flip" in kinds:
            byte ^= 1 << int(self._rng.integers(8))
        if "drop" not in kinds:
            out.append(byte)
        if "insert" in kinds:
            out.append(int(self._rng.integers(256)))
        if "duplicate" in kinds:
            length = int(self._rng.integers(1, DUPLICATE_BYTES_MAX + 1))
            out += self._recent[-length:]
        if "burst" in kinds:
            out += self._rng.bytes(BURST_BYTES)


class _Way:
    """Bytes on their way in one direction."""

    def __init__(self, mangler: Mangler) -> None:
        self.mangler = mangler
        self.waiting = bytearray()
        self.pieces: list[Mangled] = []
        self.still_until_s = 0.0
        self.dropped = 0

    def take(self, content: bytes) -> None:
        self.pieces += self.mangler.feed(content)

    def release(self, now_s: float) -> float:
        """Move pieces that are due to `waiting`; how long the near end goes away now, 0 for not."""
        while self.pieces and now_s >= self.still_until_s:
            piece = self.pieces.pop(0)
            self.waiting += piece.content
            self.still_until_s = now_s + piece.delay_s
            if piece.away_s:
                return piece.away_s
        if len(self.waiting) > WAITING_BYTES_MAX:
            self.dropped += len(self.waiting)
            self.waiting.clear()
        return 0.0


class FaultProxy:
    """Stands between a device's line and whoever opens `link`, until closed.

    Attributes:
        hang_ups: times the near end went away.
    """

    def __init__(
        self,
        device: Path,
        link: Path,
        seed: int,
        from_device: Rates,
        from_host: Rates,
    ) -> None:
        self.hang_ups = 0
        self._link = link
        self._up = _Way(Mangler(seed * 2, from_device))
        self._down = _Way(Mangler(seed * 2 + 1, from_host))
        self._far = os.open(device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._far)
        self._near = self._slave = -1
        self._back_at_s: float | None = None
        self._asked_s = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="fault-proxy")
        self._appear()
        self._thread.start()

    @property
    def counts(self) -> Counter[str]:
        """Mishaps of both directions so far, by kind."""
        return self._up.mangler.counts + self._down.mangler.counts

    def __enter__(self) -> "FaultProxy":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the thread and take the link away."""
        self._stop.set()
        self._thread.join()
        self._vanish()
        os.close(self._far)

    def heal(self) -> None:
        """A sound line from here on. What was lost last can still be had again before a daemon is told to end."""
        self._up.mangler.heal()
        self._down.mangler.heal()
        act_for(HEALED_S, "stream on a sound line")

    def hang_up(self, away_s: float) -> None:
        """Let the near end go away now, for so long."""
        self._asked_s = away_s

    def _appear(self) -> None:
        self._near, self._slave = pty.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._near, False)
        temporary = self._link.with_name(f".{self._link.name}.new")
        temporary.unlink(missing_ok=True)
        temporary.symlink_to(os.ttyname(self._slave))
        temporary.replace(self._link)

    def _vanish(self) -> None:
        """Close the near end: whoever has it open sees the line end."""
        if self._near >= 0:
            self._link.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self._near)
            self._near = self._slave = -1

    def _run(self) -> None:
        while not self._stop.is_set():
            now_s = time.monotonic()
            if self._back_at_s is not None and now_s >= self._back_at_s:
                self._back_at_s = None
                self._appear()
            wanted = [self._far] + ([self._near] if self._near >= 0 else [])
            readable, _, _ = select.select(wanted, [], [], POLL_S)
            if self._far in readable:
                self._up.take(_read(self._far))
            if self._near in readable:
                self._down.take(_read(self._near))
            self._carry(time.monotonic())

    def _carry(self, now_s: float) -> None:
        asked_s, self._asked_s = self._asked_s, 0.0
        for away_s in (asked_s, self._up.release(now_s), self._down.release(now_s)):
            if away_s and self._near >= 0:
                self.hang_ups += 1
                self._vanish()
                self._up.waiting.clear()
                self._back_at_s = now_s + away_s
        _write(self._far, self._down.waiting)
        if self._near >= 0:
            _write(self._near, self._up.waiting)
        else:
            self._up.waiting.clear()  # a line that hangs in the air


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, READ_BYTES)
    except OSError:  # nothing there, or nobody at the other end
        return b""


def _write(descriptor: int, waiting: bytearray) -> None:
    if waiting:
        try:
            del waiting[: os.write(descriptor, waiting)]
        except OSError:  # full; later
            return
