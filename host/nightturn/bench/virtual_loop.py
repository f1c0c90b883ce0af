"""Virtual time: an event loop whose selector advances the clock instead of waiting.

An idle loop is a deadlock and says so; a foreign thread that touches it is an error; executor jobs run inline.
"""

import asyncio
import selectors
import threading
from collections.abc import Callable
from concurrent.futures import Executor
from contextvars import Context
from typing import TypeVar

from typing_extensions import TypeVarTuple, Unpack, override

Ts = TypeVarTuple("Ts")
T = TypeVar("T")


class VirtualDeadlockError(RuntimeError):
    """Nothing is ready and no timer is set: real time would wait for ever."""


class _VirtualSelector(selectors.DefaultSelector):
    """Never waits: an idle turn moves the clock to the next timer."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    @override
    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Advance by the time that the loop would have slept."""
        if timeout is None:
            raise VirtualDeadlockError("nothing is scheduled and nothing is ready")
        if timeout > 0:
            self.now_s += timeout
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time; only the thread that made it may touch it."""

    def __init__(self) -> None:
        self._virtual = _VirtualSelector()
        self._owner = threading.get_ident()
        super().__init__(self._virtual)

    @override
    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._virtual.now_s

    @override
    def run_in_executor(
        self, executor: Executor | None, func: Callable[[Unpack[Ts]], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """Run the job inline, at the next turn, whatever the executor."""
        del executor
        future: asyncio.Future[T] = self.create_future()

        def go() -> None:
            if future.cancelled():
                return
            try:
                future.set_result(func(*args))
            except Exception as error:  # noqa: BLE001 - handed to whoever awaits
                future.set_exception(error)

        self.call_soon(go)
        return future

    @override
    def call_soon_threadsafe(
        self, callback: Callable[[Unpack[Ts]], object], *args: *Ts, context: Context | None = None
    ) -> asyncio.Handle:
        """As `call_soon` for the loop's own thread (a signal handler comes this way); any other is refused.

        Raises:
            RuntimeError: a foreign thread called.
        """
        if threading.get_ident() != self._owner:
            raise RuntimeError("another thread has used the virtual loop")
        return self.call_soon(callback, *args, context=context)
