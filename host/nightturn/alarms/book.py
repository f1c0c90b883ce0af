"""Lines of the log become the core that wrote them, and whoever reads them sees whether it would say the same again."""

from collections.abc import Iterable

import msgspec

from nightturn.alarms.chain import FIRST, BrokenChainError, Carried, Line, opened
from nightturn.alarms.engine import Alarms
from nightturn.alarms.words import Begun, Given, Moved

PENDING_MAX = 20_000
"""Changes that the words of a log imply and that no line says yet."""


class Reader:
    """Takes the lines of the log in order.

    Attributes:
        alarms: the core behind the newest line. n, head: number and hash of the newest line. ts: when it was said.
        begun: what the newest daemon said at its start. changes: how many changes were held against the core's own.
        version: which program wrote the newest file. difference: the first change that the core would not say, a sentence; empty while it says the same.
    """

    def __init__(self, n: int | None = 0, head: str | None = FIRST) -> None:
        self.alarms = Alarms()
        self.n = n
        self.head = head
        self.begun: Begun | None = None
        self.changes = 0
        self.difference = ""
        self.version = ""
        self._due: list[Moved] = []

    def line(self, text: bytes) -> Line:
        """The next line.

        Raises:
            BrokenChainError: it does not follow, or was changed.
        """
        line, head = opened(text, None if self.n is None else self.n + 1, self.head)
        self.n, self.head = line.n, head
        said = line.said
        if isinstance(said, Carried):
            self._carried(line, said)
        elif isinstance(said, Moved):
            self._moved(line, said)
        else:
            self._word(line, said)
        return line

    def _carried(self, line: Line, said: Carried) -> None:
        self.version = said.version
        if self.alarms.ts:  # the lines before were read as well: they have to lead here
            self._due += self.alarms.advance(line.ts)
            if self.alarms.snapshot() != said.state:
                self._differs("the state at the begin of a file is another one than the lines before lead to")
            return
        try:
            self.alarms.restore(said.state)
        except msgspec.MsgspecError as error:
            raise BrokenChainError(f"the state at the begin of a file cannot be read: {error}") from error

    def _word(self, line: Line, said: Given) -> None:
        if isinstance(said, Begun):
            self.begun = said
        taken = self.alarms.handle(line.ts, said)
        if taken.refusal:
            self._differs(f"line {line.n}: {taken.refusal}")
        self._due = [*self._due, *taken.moved][-PENDING_MAX:]

    def _moved(self, line: Line, said: Moved) -> None:
        if not self._due:
            self._due += self.alarms.advance(line.ts)
        self.changes += 1
        if not self._due:
            self._differs(
                f"line {line.n}: a change of {said.row.fixture}/{said.row.id} that nothing leads to"
            )
        elif self._due.pop(0) != said:
            self._differs(
                f"line {line.n}: {said.row.fixture}/{said.row.id} changed otherwise than its words lead to"
            )

    def _differs(self, sentence: str) -> None:
        self.difference = self.difference or sentence


def read_lines(content: bytes) -> tuple[list[bytes], bytes]:
    """The whole lines of a file, and what stands behind the last of them: a line that was not finished."""
    lines = content.split(b"\n")
    return lines[:-1], lines[-1]


def take_all(reader: Reader, lines: Iterable[bytes]) -> str:
    """Give a reader all lines; where and why it stopped, a sentence, or an empty text."""
    for place, text in enumerate(lines, start=1):
        try:
            reader.line(text)
        except BrokenChainError as error:
            return f"line {place}: {error}"
    return ""
