"""Virtual time: an event loop whose selector advances the clock instead of waiting.

An idle loop is a deadlock and says so; a foreign thread that touches it is an error; executor jobs run inline.
"""

import asyncio
import selectors
from collections.abc import Callable
from typing import Any

from typing_extensions import override


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
    """An event loop in virtual time."""

    def __init__(self) -> None:
        self._virtual = _VirtualSelector()
        super().__init__(self._virtual)
        self._clock_resolution = 1e-9

    @override
    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._virtual.now_s

    @override
    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> asyncio.Future[Any]:  # type: ignore[override]  # noqa: ANN401, ARG002 - the signature of asyncio
        """Run the job inline, at the next turn."""
        future: asyncio.Future[Any] = self.create_future()

        def go() -> None:
            try:
                future.set_result(func(*args))
            except Exception as error:  # noqa: BLE001 - handed to whoever awaits
                future.set_exception(error)

        self.call_soon(go)
        return future

    @override
    def call_soon_threadsafe(self, *_args: Any, **_kwargs: Any) -> asyncio.Handle:  # type: ignore[override]  # noqa: ANN401 - the signature of asyncio
        """Refuse: only the loop's own thread may touch virtual time."""
        raise RuntimeError("a foreign thread touched the virtual loop")
