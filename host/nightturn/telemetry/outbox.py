"""What waits for the broker: bounded by count and bytes, in order, and on the disk where a store is given.

Any thread may put; one consumer takes, confirms or gives back. Messages of the queue are all wanted: events, which make room last, and
figures, which make room first and are thinned out in a long outage, because files hold them all. Messages of the board
replace their predecessor on the same topic (states, live values), so an absent broker costs one place per topic and not the queue.
"""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import islice
from typing import Protocol

from nightturn.telemetry.batches import BATCH_BYTES_MAX, BATCH_MAX, LOOK_AHEAD_MAX, batch_topic, packed
from nightturn.telemetry.message import Message

EVENT_BYTES_MAX = FIGURE_BYTES_MAX = 32_000_000
"""Of the payloads that wait, of each of the two."""
LATE_S = 10.0
"""What waited longer says so when it is delivered."""
THINNED_BEHIND_S, THINNED_TO_S = 600.0, 60.0
"""So long behind the begin of an outage a series of figures keeps one message in so many seconds."""


class Store(Protocol):
    """What keeps the queue over a restart; none of its methods waits for a disk."""

    def load(self) -> list[tuple[int, Message]]:
        """What an earlier daemon had not delivered, in order, each with its number."""
        ...

    def added(self, number: int, message: Message) -> None:
        """A message waits."""
        ...

    def removed(self, number: int) -> None:
        """It has arrived, or was given up."""
        ...

    def parked(self, message: Message, reason: str) -> None:
        """The broker does not take it: it is kept aside."""
        ...


@dataclass(frozen=True, slots=True)
class Dropped:
    """Messages that were given up for want of room: events, figures; and figures that were thinned out."""

    events: int = 0
    figures: int = 0
    thinned: int = 0

    @property
    def total(self) -> int:
        """All of them."""
        return self.events + self.figures + self.thinned


@dataclass(frozen=True, slots=True)
class _Waiting:
    message: Message
    since_s: float
    alone: bool = False  # the broker did not take it in a batch


@dataclass(frozen=True, slots=True)
class _Sent:
    message: Message
    waited: tuple[tuple[int, _Waiting], ...]  # what it is made of; empty where it came from the board
    late: bool

    @property
    def of_messages(self) -> int:
        return max(len(self.waited), 1)


class Outbox:
    """Queue, board and what is on its way, under one lock held for a few operations at a time.

    Args:
        queue_max: messages that the queue holds at most.
        on_put: called after each put, in the putting thread, outside the lock.
        store: keeps the queue; None where nothing survives a restart.
        clock_s: seconds of a clock.
    """

    def __init__(
        self,
        queue_max: int,
        on_put: Callable[[], None],
        *,
        store: Store | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._queue_max = queue_max
        self._on_put = on_put
        self._store = store
        self._clock_s = clock_s
        self._changed = threading.Condition()
        self._queue: OrderedDict[int, _Waiting] = OrderedDict()
        self._figures: OrderedDict[int, None] = OrderedDict()
        self._bytes = {True: 0, False: 0}  # of figures, of events
        self._board: dict[str, Message] = {}
        self._retained: dict[str, Message] = {}
        self._in_flight: dict[int, _Sent] = {}
        self._next_ticket = 0
        self._next_number = 1
        self._offline_s: float | None = clock_s()
        self._kept_s: dict[tuple[str, str], float] = {}
        self._dropped = Dropped()
        for number, message in store.load() if store is not None else []:
            self._enqueue(number, _Waiting(message, float("-inf")))
            self._next_number = number + 1

    @property
    def dropped(self) -> Dropped:
        """What was given up since the start."""
        return self._dropped

    @property
    def backlog(self) -> int:
        """Messages that wait or are on their way."""
        with self._changed:
            return self._depth()

    def online(self, *, there: bool) -> None:
        """A session with the broker begins, or has ended."""
        with self._changed:
            self._offline_s = None if there else self._clock_s()
            self._kept_s.clear()

    def put(self, message: Message) -> None:
        """Take a message: the queue makes room when full, the board replaces; retained ones are remembered."""
        with self._changed:
            if message.latest:
                self._board[message.topic] = message
            elif self._thinned(message):
                self._dropped = replace(self._dropped, thinned=self._dropped.thinned + 1)
            else:
                number, self._next_number = self._next_number, self._next_number + 1
                self._enqueue(number, _Waiting(message, self._clock_s()))
                if self._store is not None:
                    self._store.added(number, message)
                self._trim()
            if message.retain:
                self._retained[message.topic] = message
        self._on_put()

    def post_retained_again(self) -> None:
        """Put everything retained back on the board, in the order it was first announced."""
        with self._changed:
            self._board = {**self._retained, **self._board}

    def repost(self, message: Message) -> None:
        """Put a retained message on the board again unless a newer one has replaced it."""
        with self._changed:
            if self._retained.get(message.topic) is message:
                self._board.setdefault(message.topic, message)
        self._on_put()

    def take(self, may_go: Callable[[Message, tuple[str, ...]], bool]) -> tuple[int, Message] | None:
        """The next message and its ticket, now on its way; None when there is none or it must wait.

        The board goes before the queue. What waited for long carries `late` from here on, and goes together with what waited beside it in the
        same place and class; what did not goes once all of that has arrived. `may_go(message, topics on their way)` decides whether the next
        one may go now.
        """
        with self._changed:
            sent = self._next()
            if sent is None or not may_go(
                sent.message, tuple(each.message.topic for each in self._in_flight.values())
            ):
                return None
            if not sent.waited:
                del self._board[sent.message.topic]
            for number, _ in sent.waited:
                self._dequeue(number)
            ticket = self._next_ticket
            self._next_ticket += 1
            self._in_flight[ticket] = sent
            return ticket, sent.message

    def done(self, ticket: int, refused: str = "") -> int:
        """The message has arrived; with `refused` the broker does not take it, and why.

        Returns how many messages are settled by that: none of a batch that was refused, whose messages then go one by one.
        """
        with self._changed:
            sent = self._in_flight.pop(ticket)
            message = sent.message
            if message.retain and not message.payload and self._retained.get(message.topic) is message:
                del self._retained[message.topic]  # cleared: nothing to announce any more
            unpacked = bool(refused) and len(sent.waited) > 1
            if unpacked:
                self._back((number, replace(each, alone=True)) for number, each in sent.waited)
            elif self._store is not None:
                for number, each in sent.waited:
                    if refused:
                        self._store.parked(each.message, refused)
                    self._store.removed(number)
            self._changed.notify_all()
            return 0 if unpacked else sent.of_messages

    def give_back(self) -> tuple[str, ...]:
        """The connection was lost: return the topics on their way and queue their messages again in order.

        Board messages are not repeated: what is retained is announced at the next connect, the rest is stale.
        """
        with self._changed:
            lost = list(self._in_flight.values())
            self._in_flight.clear()
            self._back(each for sent in lost for each in sent.waited)
            self._trim()
            self._changed.notify_all()
            return tuple(sent.message.topic for sent in lost)

    def wait_below(self, count: int, timeout_s: float) -> bool:
        """Block the calling thread until fewer than `count` messages wait; False when time ran out."""
        with self._changed:
            return self._changed.wait_for(lambda: self._depth() < count, timeout_s)

    def _depth(self) -> int:
        on_their_way = sum(sent.of_messages for sent in self._in_flight.values())
        return len(self._queue) + len(self._board) + on_their_way

    def _next(self) -> _Sent | None:
        """What goes next; a batch holds what is behind it in its place and class, and what is late all that is not."""
        if self._board:
            return _Sent(next(iter(self._board.values())), (), late=False)
        if not self._queue:
            return None
        number, waiting = next(iter(self._queue.items()))
        if not self._is_late(waiting):
            held = any(sent.late for sent in self._in_flight.values())
            return None if held else _Sent(waiting.message, ((number, waiting),), late=False)
        topic = batch_topic(waiting.message)
        if any(sent.message.topic == topic for sent in self._in_flight.values()):
            return None
        together = self._beside(topic) if topic and not waiting.alone else ((number, waiting),)
        return _Sent(packed([each.message for _, each in together]), together, late=True)

    def _beside(self, topic: str) -> tuple[tuple[int, _Waiting], ...]:
        """What is late and goes under one topic of batches, from the first in the queue on, as much as one batch takes."""
        found: list[tuple[int, _Waiting]] = []
        room = BATCH_BYTES_MAX
        for number, each in islice(self._queue.items(), LOOK_AHEAD_MAX):
            if not self._is_late(each):
                break
            if batch_topic(each.message) != topic:
                continue
            room -= len(each.message.payload)
            if found and (room < 0 or each.alone):
                break
            found.append((number, each))
            if len(found) == BATCH_MAX:
                break
        return tuple(found)

    def _is_late(self, waiting: _Waiting) -> bool:
        return self._clock_s() - waiting.since_s > LATE_S

    def _back(self, lost: Iterable[tuple[int, _Waiting]]) -> None:
        """Queue again in front, in order."""
        for number, waiting in sorted(lost, key=lambda each: each[0], reverse=True):
            self._enqueue(number, waiting, first=True)

    def _enqueue(self, number: int, waiting: _Waiting, *, first: bool = False) -> None:
        self._queue[number] = waiting
        if first:
            self._queue.move_to_end(number, last=False)
        figure = waiting.message.is_figure
        self._bytes[figure] += len(waiting.message.payload)
        if figure:
            self._figures[number] = None
        if figure and first:
            self._figures.move_to_end(number, last=False)

    def _dequeue(self, number: int) -> Message:
        message = self._queue.pop(number).message
        self._bytes[message.is_figure] -= len(message.payload)
        self._figures.pop(number, None)
        return message

    def _thinned(self, message: Message) -> bool:
        """Whether an outage lasts so long that one figure of a series in a while has to do."""
        if self._offline_s is None or not message.is_figure:
            return False
        now_s, series = self._clock_s(), (message.topic, message.series)
        if now_s - self._offline_s < THINNED_BEHIND_S:
            return False
        if now_s - self._kept_s.get(series, float("-inf")) < THINNED_TO_S:
            return True
        self._kept_s[series] = now_s
        return False

    def _trim(self) -> None:
        """Too many or too large: the oldest figure goes first, and events only where there is none."""
        while self._queue:
            over = len(self._queue) > self._queue_max
            figure = bool(self._figures) and (over or self._bytes[True] > FIGURE_BYTES_MAX)
            if not figure and not over and self._bytes[False] <= EVENT_BYTES_MAX:
                return
            number = next(iter(self._figures)) if figure else next(iter(self._queue))
            if self._dequeue(number).is_figure:
                self._dropped = replace(self._dropped, figures=self._dropped.figures + 1)
            else:
                self._dropped = replace(self._dropped, events=self._dropped.events + 1)
            if self._store is not None:
                self._store.removed(number)
