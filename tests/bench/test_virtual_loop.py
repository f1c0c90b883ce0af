"""Virtual time: it advances instead of waiting, and says so when it cannot."""

import asyncio
import signal
import threading

import pytest
from tests.waiting import act_for

from nightturn.bench.virtual_loop import VirtualDeadlockError, VirtualLoop
from nightturn.bench.worlds import InlineOffload


def virtual() -> asyncio.Runner:
    return asyncio.Runner(loop_factory=VirtualLoop)


def test_a_night_passes_in_a_moment_and_timers_come_in_order() -> None:
    seen: list[tuple[str, float]] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()
        loop.call_later(2.0, lambda: seen.append(("late", loop.time())))
        loop.call_later(1.0, lambda: seen.append(("early", loop.time())))
        await asyncio.sleep(8 * 3600)
        seen.append(("morning", loop.time()))

    with virtual() as runner:
        runner.run(act())
    assert [name for name, _ in seen] == ["early", "late", "morning"]
    assert [at for _, at in seen] == pytest.approx([1.0, 2.0, 28_800.0])


def test_time_stands_still_while_something_is_ready() -> None:
    async def act() -> float:
        for _ in range(1000):
            await asyncio.sleep(0)
        return asyncio.get_running_loop().time()

    with virtual() as runner:
        assert runner.run(act()) == 0.0


def test_an_idle_loop_is_a_deadlock_and_says_so() -> None:
    loop = VirtualLoop()
    waiting = loop.create_task(asyncio.Event().wait())
    try:
        with pytest.raises(VirtualDeadlockError, match="nothing is scheduled and nothing is ready"):
            loop.run_until_complete(waiting)
    finally:
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            loop.run_until_complete(waiting)
        loop.close()


def test_a_foreign_thread_is_refused_and_the_own_one_is_not() -> None:
    caught: list[str] = []
    own: list[str] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()

        def foreign() -> None:
            try:
                loop.call_soon_threadsafe(print)
            except RuntimeError as error:
                caught.append(str(error))

        thread = threading.Thread(target=foreign)
        thread.start()
        thread.join()
        loop.call_soon_threadsafe(own.append, "called")
        await asyncio.sleep(0)

    with virtual() as runner:
        runner.run(act())
    assert caught == ["another thread has used the virtual loop"]
    assert own == ["called"]


def test_executor_jobs_run_inline_and_hand_over_result_and_exception() -> None:
    threads: list[int] = []

    def job(value: int) -> int:
        threads.append(threading.get_ident())
        return 2 * value

    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert await loop.run_in_executor(None, job, 21) == 42
        await InlineOffload()(lambda: threads.append(threading.get_ident()))
        with pytest.raises(ZeroDivisionError):
            await loop.run_in_executor(None, lambda: 1 // 0)

    with virtual() as runner:
        runner.run(act())
    assert set(threads) == {threading.get_ident()}


def test_ctrl_c_ends_a_virtual_night_cleanly() -> None:
    closed: list[str] = []

    async def act() -> None:
        asyncio.get_running_loop().call_later(1.0, signal.raise_signal, signal.SIGINT)
        try:
            while True:
                await asyncio.sleep(1.0)
                act_for(0.001, "let a signal in, in real time")
        finally:
            closed.append("closed")

    with pytest.raises(KeyboardInterrupt), virtual() as runner:
        runner.run(act())
    assert closed == ["closed"]
