"""A child process that does one job at a time for whoever asks, and is replaced when it dies."""

import contextlib
import multiprocessing
import os
import socket
import struct
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection
from types import TracebackType
from typing import Any, Self

import structlog

from nightturn.errors import StorageError

ATTEMPTS = 2  # of one job, each with a child of its own
END_S = 5.0  # for a child to see that it is no longer needed
SEND_S_MAX = 300.0  # for a child to take a message of a job

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Wording:
    """How people read of a child.

    Attributes:
        name: "the process that …".
        ended: the event of the log when it has died.
        instead: what becomes of a job that it does not do.
    """

    name: str
    ended: str
    instead: str


@dataclass(frozen=True, slots=True)
class _Child:
    process: "subprocess.Popen[bytes]"
    line: "Connection[Any, Any]"


class Child:
    """Asks one child; whoever asks waits, so it belongs on a thread of its own.

    It works from entering it to leaving it, and may be entered again. A child that dies is replaced and its job begun again, once; after that the job is refused. One that
    does not answer in time is ended, and its job refused at once, or begun again like that of one that died where patience depends on the job.

    Args:
        command: what to start; the number of the child's end of a socket follows, then `words`.
        wording: how people read of it.
        words: the rest of its command line.
        held: open files that the child holds too, for whoever waits for its end.
        at_once: whether it is started on entering, so that the first job finds it ready.
        answer_s: how long a job may take; as long as its own patience lasts where there is none.

    Attributes:
        hung: children that were ended because a job's patience was over.
    """

    def __init__(
        self,
        command: Sequence[str],
        wording: Wording,
        words: Sequence[str] = (),
        held: Sequence[int] = (),
        *,
        at_once: bool = False,
        answer_s: float | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        self._command = command
        self._wording = wording
        self._words = words
        self._held = tuple(held)
        self._at_once = at_once
        self._answer_s = answer_s
        self._environment = environment or {}
        self._one_at_a_time = threading.Lock()
        self._child: _Child | None = None
        self._closed = False
        self._stopped = False
        self.hung = 0

    def __enter__(self) -> Self:
        """Start the child where it is to be ready; where that fails, each job tries again."""
        self._closed = False
        if self._at_once:
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

    def stop(self) -> None:
        """End what it does at once and for good, from another thread than the one that asks: its job is refused."""
        self._stopped = True
        child = self._child
        if child is not None:
            child.process.kill()

    def ask(self, *messages: object, patience: Callable[[], float] | None = None) -> Any:  # noqa: ANN401 - what a job answers is known where it is asked for
        """Give the child these messages, which are one job, and wait for its answer.

        Args:
            messages: the job.
            patience: how long this attempt may take, seconds; a child that takes longer is replaced like one that died.

        Raises:
            TimeoutError: it has not answered in time, and the job has no patience of its own.
            StorageError: it has died or hung twice, cannot be started, or was left.
        """
        wording = self._wording
        with self._one_at_a_time:
            why = ""
            for _ in range(ATTEMPTS):
                child = self._started()
                limit_s = patience() if patience is not None else self._answer_s
                try:
                    for message in messages:
                        child.line.send(message)
                    if child.line.poll(limit_s):
                        return child.line.recv()
                except (EOFError, OSError):
                    self._child = None
                    why = f"{wording.name} has ended ({self._ended(child)})"
                    log.warning(wording.ended, why=why, next="another one is started")
                else:
                    self._child = None
                    child.process.kill()
                    self._ended(child)
                    why = f"{wording.name} has not answered within {limit_s} s"
                    if patience is None:
                        raise TimeoutError(f"{why}; {wording.instead}")
                    self.hung += 1
                    log.warning(wording.ended, why=why, hung=self.hung, next="another one is started")
            raise StorageError(f"{why}, {ATTEMPTS} times at the same work; {wording.instead}")

    def _started(self) -> _Child:
        if self._closed or self._stopped:
            raise StorageError(f"{self._wording.name} was closed; {self._wording.instead}")
        if self._child is None:
            ours, theirs = multiprocessing.Pipe()
            with socket.socket(
                fileno=os.dup(ours.fileno())
            ) as line:  # a job is larger than what waits for who does not read
                send_s = SEND_S_MAX if self._answer_s is None else self._answer_s
                patience = struct.pack("@ll", *divmod(round(send_s * 1e6), 1_000_000))
                line.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, patience)
            try:
                process = subprocess.Popen(  # noqa: S603 - this interpreter and a module of ours
                    [*self._command, str(theirs.fileno()), *self._words],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,  # the daemon's may be read by a machine
                    pass_fds=(theirs.fileno(), *self._held),
                    env={**os.environ, "OPENBLAS_NUM_THREADS": "1", **self._environment},
                    start_new_session=True,  # Ctrl-C is for the daemon
                )
            except OSError as problem:
                ours.close()
                raise StorageError(f"{self._wording.name} cannot be started: {problem}") from problem
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
