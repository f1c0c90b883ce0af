"""Messages over the line to a worker: whole ones in their order, however the bytes are split; nobody waits for the other end."""

import asyncio
import socket
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.daemon.worker_line import (
    BUFFER_BYTES_MAX,
    HEAD,
    MESSAGE_BYTES_MAX,
    BrokenLineError,
    Unframer,
    WorkerLine,
    framed,
)

MESSAGES = st.lists(st.one_of(st.binary(max_size=300), st.integers(), st.text(max_size=40)), max_size=8)


@given(messages=MESSAGES, cuts=st.lists(st.integers(0, 3000), max_size=12))
def test_messages_are_the_same_however_their_bytes_are_split(messages: list[object], cuts: list[int]) -> None:
    content = b"".join(framed(message) for message in messages)
    places = sorted({0, *(min(cut, len(content)) for cut in cuts), len(content)})
    unframer = Unframer()
    found = [message for begin, end in pairwise(places) for message in unframer.take(content[begin:end])]
    assert found == messages


def test_a_length_that_is_none_ends_the_line() -> None:
    with pytest.raises(BrokenLineError, match="allowed: up to"):
        Unframer().take(HEAD.pack(MESSAGE_BYTES_MAX + 1))


async def _pair() -> tuple[WorkerLine, WorkerLine]:
    ours, theirs = socket.socketpair()
    here, there = WorkerLine(lambda _: None), WorkerLine(lambda _: None)
    await here.open(ours)
    await there.open(theirs)
    return here, there


def test_what_an_end_does_not_read_waits_here_and_the_line_says_when_there_is_room() -> None:
    async def act() -> None:
        ours, theirs = socket.socketpair()
        taken: list[object] = []
        room, last = asyncio.Event(), asyncio.Event()

        def take(message: object) -> None:
            taken.append(message)
            if message == "last":
                last.set()

        here = WorkerLine(lambda _: None, room.set)
        await here.open(ours)
        sent: list[object] = []
        while not here.full:
            sent.append(b"x" * 1000)
            here.send(sent[-1])
        assert len(sent) * 1000 >= BUFFER_BYTES_MAX
        there = WorkerLine(take)
        await there.open(theirs)
        here.send("last")
        await room.wait()
        await last.wait()
        assert taken == [*sent, "last"]
        here.close()
        await there.lost.wait()
        await here.lost.wait()

    asyncio.run(asyncio.wait_for(act(), 30))


def test_an_end_that_is_gone_is_known_and_what_is_sent_to_it_goes_nowhere() -> None:
    async def act() -> None:
        here, there = await _pair()
        here.send("unread")
        there.close()
        await here.lost.wait()
        here.send("more")
        await there.lost.wait()

    asyncio.run(asyncio.wait_for(act(), 30))
