"""What waits for the broker: bounded, and a full box drops its oldest message.

Any thread may put; one consumer takes, confirms or gives back. Messages of the queue are all wanted (cycles,
events). Messages of the board replace their predecessor on the same topic (states, live values), so an absent
broker costs one place per topic and not the queue.
"""

import threading
from collections import deque
from collections.abc import Callable

from nightturn.telemetry.message import Message


class Outbox:
    """Queue, board and what is on its way, under one lock held for a few operations at a time.

    Args:
        queue_max: messages that the queue holds at most.
        on_put: called after each put, in the putting thread, outside the lock.
    """

    def __init__(self, queue_max: int, on_put: Callable[[], None]) -> None:
        self._queue_max = queue_max
        self._on_put = on_put
        self._changed = threading.Condition()
        self._queue: deque[Message] = deque()
        self._board: dict[str, Message] = {}
        self._retained: dict[str, Message] = {}
        self._in_flight: dict[int, Message] = {}
        self._next_ticket = 0
        self._dropped = 0

    @property
    def dropped(self) -> int:
        """Messages of the queue that had to make room, since the start."""
        return self._dropped

    @property
    def backlog(self) -> int:
        """Messages that wait or are on their way."""
        with self._changed:
            return self._depth()

    def put(self, message: Message) -> None:
        """Take a message: the queue drops its oldest when full, the board replaces; retained ones are remembered."""
        with self._changed:
            if message.latest:
                self._board[message.topic] = message
            else:
                self._queue.append(message)
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

        The board goes before the queue. `may_go(message, topics on their
        way)` decides whether the next one may go now.
        """
        with self._changed:
            from_board = bool(self._board)
            if not from_board and not self._queue:
                return None
            message = next(iter(self._board.values())) if from_board else self._queue[0]
            if not may_go(message, tuple(sent.topic for sent in self._in_flight.values())):
                return None
            if from_board:
                del self._board[message.topic]
            else:
                self._queue.popleft()
            ticket = self._next_ticket
            self._next_ticket += 1
            self._in_flight[ticket] = message
            return ticket, message

    def done(self, ticket: int) -> None:
        """The message has arrived or been given up."""
        with self._changed:
            message = self._in_flight.pop(ticket)
            if message.retain and not message.payload and self._retained.get(message.topic) is message:
                del self._retained[message.topic]  # cleared: nothing to announce any more
            self._changed.notify_all()

    def give_back(self) -> tuple[str, ...]:
        """The connection was lost: return the topics on their way and queue their messages again in order.

        Board messages are not repeated: what is retained is announced at the next connect, the rest is stale.
        """
        with self._changed:
            lost = list(self._in_flight.values())
            self._in_flight.clear()
            self._queue.extendleft(message for message in reversed(lost) if not message.latest)
            self._trim()
            self._changed.notify_all()
            return tuple(message.topic for message in lost)

    def wait_below(self, count: int, timeout_s: float) -> bool:
        """Block the calling thread until fewer than `count` messages wait; False when time ran out."""
        with self._changed:
            return self._changed.wait_for(lambda: self._depth() < count, timeout_s)

    def _depth(self) -> int:
        return len(self._queue) + len(self._board) + len(self._in_flight)

    def _trim(self) -> None:
        while len(self._queue) > self._queue_max:
            self._queue.popleft()
            self._dropped += 1
