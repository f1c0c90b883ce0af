"""Lines that have much to read are read by turns, for a bounded time in each turn of the loop."""

import asyncio
import socket
from functools import partial
from itertools import pairwise

import pytest
from tests.transport.test_ports import play, until
from typing_extensions import override

from nightturn.bench.worlds import RealClock
from nightturn.transport.descriptor import READ_BYTES, TURN_S_MAX, DescriptorPump


def test_lines_that_have_much_to_read_are_read_by_turns_and_soon_read_before_anything_else_is_done() -> None:
    async def act() -> None:
        pairs = [socket.socketpair() for _ in range(3)]
        said: list[tuple[int, int]] = []
        pumps = []
        for number, (ours, theirs) in enumerate(pairs):
            theirs.sendall(bytes(5 * READ_BYTES - number))
            heard = partial(lambda number, _stamp, content: said.append((number, len(content))), number)
            pumps.append(DescriptorPump(ours.fileno(), RealClock(), heard, lambda _reason: None))
        others: list[int] = []
        asyncio.get_running_loop().call_later(0.0, lambda: others.append(len(said)))
        await until(lambda: bool(others))
        assert sum(length for _, length in said) == 15 * READ_BYTES - 3
        assert others == [len(said)]  # a timer that was due came behind them all
        counts = [0, 0, 0]
        for number, _ in said:
            counts[number] += 1
            assert max(counts) - min(counts) <= 2
        for pump, (ours, theirs) in zip(pumps, pairs, strict=True):
            pump.close()
            ours.close()
            theirs.close()

    play(act)


class SlowLoop(asyncio.SelectorEventLoop):
    """A loop whose clock goes on by what a test says that work takes."""

    def __init__(self) -> None:
        self.worked_s = 0.0
        super().__init__()

    @override
    def time(self) -> float:
        return super().time() + self.worked_s


@pytest.mark.parametrize("lines", [2, 9, 40])
def test_a_turn_of_the_loop_reads_a_bounded_time_and_each_line_alike_however_much_waits(lines: int) -> None:
    read_s, each = 0.01, 20
    said: list[tuple[int, int]] = []

    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, SlowLoop)

        def heard(number: int, _stamp: int, content: bytes) -> None:
            said.append((number, len(content)))
            loop.worked_s += read_s

        pairs = [socket.socketpair() for _ in range(lines)]
        pumps = []
        for number, (ours, theirs) in enumerate(pairs):
            theirs.sendall(bytes(each * READ_BYTES))
            pumps.append(
                DescriptorPump(ours.fileno(), RealClock(), partial(heard, number), lambda _reason: None)
            )
        seen: list[int] = []

        def between() -> None:
            seen.append(len(said))
            loop.call_soon(between)

        loop.call_soon(between)
        await until(lambda: sum(length for _, length in said) == lines * each * READ_BYTES)
        steps = [after - before for before, after in pairwise(seen)]
        assert (
            max(steps) <= TURN_S_MAX / read_s + 2 * lines
        )  # the round that begins just before the end, and the first line's read
        assert max(steps) >= lines  # every line has its read in each turn
        counts = [0] * lines
        for number, _ in said:
            counts[number] += 1
            assert max(counts) - min(counts) <= 2
        for pump, (ours, theirs) in zip(pumps, pairs, strict=True):
            pump.close()
            ours.close()
            theirs.close()

    with asyncio.Runner(loop_factory=SlowLoop) as runner:
        runner.run(act())
