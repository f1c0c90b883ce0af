"""A host in a few lines, for tests that must say what a daemon never would: bytes out, messages in, nothing kept secret."""

import os
import select
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from nightturn_protocol.framing import Deframer, frame_body, parse_header, parse_message, to_wire
from nightturn_protocol.messages import Event, EventCode, Message, Open, Opened

M = TypeVar("M", bound=Message)
ANSWER_S_MAX = 20.0  # a hang guard
READ_BYTES = 65536


class Client:
    """One end of a line, opened by path.

    Attributes:
        heard: every message so far with the host time of the read that completed it.
        bad: frames that were none.
    """

    def __init__(self, path: str | Path) -> None:
        self.heard: list[tuple[float, Message]] = []
        self.session = 0
        self._events_seen = 0  # messages heard that were looked through for events
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self._fd)
        self._deframer = Deframer()
        self._seq = 0
        os.write(self._fd, b"\0")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._fd)

    @property
    def bad(self) -> int:
        """Frames that did not pass, the torn first one apart."""
        return self._deframer.bad

    def send(self, message: Message, session: int | None = None) -> int:
        """Send a message; its sequence number."""
        self._seq += 1
        body = frame_body(message, self.session if session is None else session, self._seq)
        os.write(self._fd, to_wire(body))
        return self._seq

    def listen(self, seconds: float) -> list[Message]:
        """Whatever comes for so long."""
        until_s = time.monotonic() + seconds
        found: list[Message] = []
        while (left_s := until_s - time.monotonic()) > 0:
            found += [message for _, message in self._read(left_s)]
        return found

    def ask(self, message: Message, wanted: type[M]) -> M:
        """Send a request and wait for the answer with its number.

        Raises:
            AssertionError: it does not come, or is another message.
        """
        seq = self.send(message)
        until_s = time.monotonic() + ANSWER_S_MAX
        while (left_s := until_s - time.monotonic()) > 0:
            for number, answer in self._read(left_s):
                if number == seq and not answer.KIND < 0x80:
                    assert isinstance(answer, wanted), answer
                    return answer
        raise AssertionError(f"no answer to {message}")

    def next(self, wanted: type[M]) -> M:
        """Wait for a message of a kind."""
        until_s = time.monotonic() + ANSWER_S_MAX
        while (left_s := until_s - time.monotonic()) > 0:
            for _, message in self._read(left_s):
                if isinstance(message, wanted):
                    return message
        raise AssertionError(f"no {wanted.__name__} came")

    def event(self, code: EventCode) -> Event:
        """The next event of a code; one that came while something else was waited for counts too."""
        until_s = time.monotonic() + ANSWER_S_MAX
        while True:
            for _, message in self.heard[self._events_seen :]:
                self._events_seen += 1
                if isinstance(message, Event) and message.code == code:
                    return message
            left_s = until_s - time.monotonic()
            assert left_s > 0, f"no event {code!r} came"
            self._read(left_s)

    def open(
        self, session: int, *, last_boot_id: int = 0, last_session: int = 0, fresh: bool = True
    ) -> Opened:
        """Open, or take up, a session; repeated, because the first one may fall on deaf ears."""
        self.session = session
        request = Open(0, 1, last_boot_id, 0, last_session, session, 0, int(fresh))
        until_s = time.monotonic() + ANSWER_S_MAX
        while time.monotonic() < until_s:
            self.send(request)
            for message in self.listen(0.1):
                if isinstance(message, Opened):
                    self.session = message.session
                    return message
        raise AssertionError("nothing answers OPEN")

    def _read(self, patience_s: float) -> list[tuple[int, Message]]:
        readable, _, _ = select.select([self._fd], [], [], patience_s)
        if not readable:
            return []
        try:
            content = os.read(self._fd, READ_BYTES)
        except OSError:  # the line was closed, or nothing is there after all
            return []
        at_s = time.monotonic()
        found: list[tuple[int, Message]] = []
        for body in self._deframer.receive_bytes(content):
            message = parse_message(body)
            assert message is not None
            self.heard.append((at_s, message))
            found.append((parse_header(body).seq, message))
        return found
