"""Seals in a child process of low priority, so that a core's loop never shares its interpreter with them."""

import contextlib
import multiprocessing
import os
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import structlog

from nightturn.errors import StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage.seal import Sealed
from nightturn.storage.sealer import Refused, ToPack, ToWrite

COMMAND = (sys.executable, "-P", "-m", "nightturn.storage.sealing_child")
ROWS_A_MESSAGE = 500  # made in about a millisecond, during which the loop's thread waits
ATTEMPTS = 2  # of one job, each with a child of its own
END_S = 5.0  # for a child to see that it is no longer needed

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class _Child:
    process: "subprocess.Popen[bytes]"
    line: "Connection[Any, Any]"


class ChildSealer:
    """A `sealer.Sealer` whose work is done by one child; whoever asks waits, so it belongs on a thread of its own.

    It works from entering it to leaving it. A child that dies is replaced and its job begun again, once; after that the job is refused and its segment stays in the
    journal, to be tried again or sealed by recovery.

    Args:
        root: the data root.
        lock: an open file whose lock says who owns the root. The child holds it too: after a kill nobody else owns the
            root before the child is gone. -1 for none.
        beside: another open file that the child holds, for whoever waits for its end; -1 for none.
        command: what to start, in front of its two words.
    """

    def __init__(
        self, root: Path, lock: int = -1, command: Sequence[str] = COMMAND, *, beside: int = -1
    ) -> None:
        self._root = root
        self._held = tuple(each for each in (lock, beside) if each >= 0)
        self._command = command
        self._one_at_a_time = threading.Lock()
        self._child: _Child | None = None
        self._closed = False

    def __enter__(self) -> Self:
        """Start the child, so that the first job finds it ready; where that fails, each job tries again."""
        with self._one_at_a_time, contextlib.suppress(StorageError):  # said when there is work for it
            self._started()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the child end."""
        with self._one_at_a_time:
            self._closed = True
            if self._child is not None:
                self._ended(self._child)
                self._child = None

    def write(self, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
        """As `seal.write_chunks`, in the child.

        Raises:
            StorageError: not written; the segment is where it was.
        """
        parts = [rows[begin : begin + ROWS_A_MESSAGE] for begin in range(0, len(rows), ROWS_A_MESSAGE)]
        written: Sealed = self._ask(ToWrite(segment_path, tuple(plans), len(parts)), *parts)
        return written

    def pack(self, path: str) -> int:
        """As `seal.pack_sealed`, in the child.

        Raises:
            StorageError: it cannot be compressed; it is whole as it is.
        """
        size: int = self._ask(ToPack(path))
        return size

    def _ask(self, *messages: object) -> Any:  # noqa: ANN401 - what a job answers is known where it is asked for
        with self._one_at_a_time:
            why = ""
            for _ in range(ATTEMPTS):
                child = self._started()
                try:
                    for message in messages:
                        child.line.send(message)
                    answer = child.line.recv()
                except (EOFError, OSError):
                    self._child = None
                    why = f"the process that seals has ended ({self._ended(child)})"
                    log.warning("sealing_process_ended", why=why, next="another one is started")
                    continue
                if isinstance(answer, Refused):
                    raise StorageError(answer.why)
                return answer
            raise StorageError(f"{why}, {ATTEMPTS} times at the same work; the tape is kept and sealed later")

    def _started(self) -> _Child:
        if self._closed:
            raise StorageError("the process that seals was closed; the tape is kept and sealed later")
        if self._child is None:
            ours, theirs = multiprocessing.Pipe()
            try:
                process = subprocess.Popen(  # noqa: S603 - this interpreter and a module of ours
                    [*self._command, str(theirs.fileno()), str(self._root)],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,  # the daemon's may be read by a machine
                    pass_fds=(theirs.fileno(), *self._held),
                    env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
                    start_new_session=True,  # Ctrl-C is for the daemon
                )
            except OSError as problem:
                ours.close()
                raise StorageError(f"the process that seals cannot be started: {problem}") from problem
            finally:
                theirs.close()
            self._child = _Child(process, ours)
        return self._child

    @staticmethod
    def _ended(child: _Child) -> str:
        """Close the line, on which a child ends, and wait for it; how it ended."""
        child.line.close()
        try:
            code = child.process.wait(END_S)
        except subprocess.TimeoutExpired:
            child.process.kill()
            return "killed, because it did not end by itself"
        return f"signal {-code}" if code < 0 else f"exit code {code}"
