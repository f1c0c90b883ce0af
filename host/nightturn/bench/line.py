"""The line of one station: opened, read, lost and opened again with growing patience."""

import asyncio
from collections.abc import Callable, Sequence

import structlog

from nightturn.errors import PortError
from nightturn.model.facts import LinkFact
from nightturn.model.records import Bad, Frame, Record
from nightturn.transport.port import Port
from nightturn_protocol.framing import Deframer

REOPEN_S = (0.25, 0.5, 1.0, 2.0, 5.0)
DELIMITER = b"\0"
BAD_EVERY_NS = 100_000_000  # bytes that are no frame are counted, with a sample of them, this often at most
AFTER_FAULT_S = 60.0  # a device that cannot be used is looked at again this often

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Line:
    """Bytes to records, and what happened to the line as two calls: records read, opened or lost.

    Args:
        fixture: for the log.
        port: what is opened.
        on_records: takes the records of one read.
        on_line: told when the line has opened, and why it is lost or cannot be opened.
    """

    def __init__(
        self,
        fixture: str,
        port: Port,
        on_records: Callable[[Sequence[Record]], None],
        on_line: Callable[[LinkFact], None],
    ) -> None:
        self.up = False
        self.quiet = False  # nothing new to say: the same has been going on since the last session
        self._fixture = fixture
        self._port = port
        self._on_records = on_records
        self._on_line = on_line
        self._deframer = Deframer()
        self._bad = 0  # bad frames not told yet, from sessions before this one
        self._bad_head = b""
        self._bad_due_ns = 0
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._attempt = 0
        self._trouble = ""
        self._stopped = False
        self._fault_since_s: float | None = None

    def write(self, content: bytes) -> None:
        """A frame for the device; the delimiter ahead of it ends whatever noise an idle line has picked up."""
        if self.up:
            self._port.write(DELIMITER + content)

    def open(self) -> None:
        """Open the port now, or else again later; a reason that persists is told once."""
        if self._stopped or self.up:
            return
        self._count_bad()
        self._deframer = Deframer()
        self._fault_since_s = None
        try:
            self._port.open(self._bytes, self.lost)
        except PortError as error:
            reason = str(error)
            if reason != self._trouble:
                self._trouble = reason
                log.warning("port_not_open", fixture=self._fixture, why=reason)
                self._on_line(LinkFact(opened=False, reason=reason))
            self._again()
            return
        if self._trouble:
            log.info("port_open_again", fixture=self._fixture, port=self._port.name)
        self._attempt, self._trouble = 0, ""
        self.up = True
        self._on_line(LinkFact(opened=True))

    def lost(self, reason: str) -> None:
        """The line is lost, or of no more use: close it and open it again."""
        if not self.up:
            return
        self.drop()
        if not self.quiet:
            log.warning("line_lost", fixture=self._fixture, why=reason)
        self._on_line(LinkFact(opened=False, reason=reason))
        self._again()

    def drop(self) -> None:
        """Close the port and leave it closed, without a word."""
        if self.up:
            self.up = False
            self._port.close()
        if self._timer is not None:
            self._timer.cancel()

    def stop(self) -> None:
        """Close for good."""
        self._stopped = True
        self.drop()

    def watch(self, *, wants_reopen: bool, fault: bool) -> None:
        """Called at each control tick: a silent line is opened anew, one with an unusable device now and then."""
        if not self.up:
            return
        if wants_reopen:
            self.lost("the line is closed and opened again")
        elif not fault:
            self._fault_since_s = None
        elif self._fault_since_s is None:
            self._fault_since_s = self._loop.time()
        elif self._loop.time() - self._fault_since_s >= AFTER_FAULT_S:
            self.lost("the device could not be used; trying again")

    def _again(self) -> None:
        if self._stopped:
            return
        step = min(self._attempt, len(REOPEN_S) - 1)
        self._attempt += 1
        self._timer = self._loop.call_later(REOPEN_S[step], self.open)

    def _bytes(self, stamp_ns: int, content: bytes) -> None:
        """Bytes were read: stamp first, decode after, one step for the whole read."""
        if not self.up:
            return
        deframer = self._deframer
        records: list[Record] = [Frame(stamp_ns, body) for body in deframer.receive_bytes(content)]
        if stamp_ns >= self._bad_due_ns:  # a babbling line may fill neither tape nor disk
            self._count_bad()
            if self._bad:
                records.append(Bad(stamp_ns, self._bad, self._bad_head))
                self._bad, self._bad_due_ns = 0, stamp_ns + BAD_EVERY_NS
        if records:
            self._on_records(records)

    def _count_bad(self) -> None:
        """Take over what the deframer has counted since the last call."""
        count, head = self._deframer.take_bad()
        if count:
            self._bad, self._bad_head = self._bad + count, head
