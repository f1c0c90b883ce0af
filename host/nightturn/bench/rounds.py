"""When a station does what it does again and again; in rounds all of a loop do it at the same moments, so that the disk can take their syncs as one."""

import asyncio
from collections.abc import Callable

EARLY_PART = 0.1  # of a period; a timer may fire a little early


def next_round(now_s: float, period_s: float) -> float:
    """The next multiple of the period on a loop's clock, unless it is hardly any time away, seconds."""
    return ((now_s + period_s * EARLY_PART) // period_s + 1) * period_s


class Beat:
    """A call at a fixed cadence on a loop, without drift; a late loop skips what it missed.

    Args:
        loop: whose clock counts.
        period_s: between two calls.
        call: what is called.
        in_step: whether all stations do it at the same moments.
    """

    def __init__(
        self,
        loop: asyncio.AbstractEventLoop,
        period_s: float,
        call: Callable[[], None],
        *,
        in_step: bool = False,
    ) -> None:
        self._loop = loop
        self._period_s = period_s
        self._call = call
        self._in_step = in_step
        self._cancelled = False
        start = loop.time()
        self._timer = loop.call_at(next_round(start, period_s) if in_step else start + period_s, self._fire)

    @property
    def late(self) -> bool:
        """Whether the call is due and has not been made yet."""
        return not self._cancelled and self._loop.time() >= self._timer.when()

    def when(self) -> float:
        """When the next call is due, by the loop's clock."""
        return self._timer.when()

    def cancel(self) -> None:
        """No more calls."""
        self._cancelled = True
        self._timer.cancel()

    def made(self) -> None:
        """What was due has been done; the next call comes at its own time."""
        self._timer.cancel()
        self._next()

    def _fire(self) -> None:
        self._call()
        self._next()

    def _next(self) -> None:
        if self._cancelled:
            return
        now_s, period_s = self._loop.time(), self._period_s
        due_s = max(self._timer.when() + period_s, now_s + period_s / 10)
        self._timer = self._loop.call_at(next_round(now_s, period_s) if self._in_step else due_s, self._fire)
