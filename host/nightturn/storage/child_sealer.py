"""Seals and joins in a child process of low priority, so that a core's loop never shares its interpreter with them."""

import sys
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage.child import Child, Wording
from nightturn.storage.joining_raw import Hours
from nightturn.storage.seal import Sealed
from nightturn.storage.sealer import Refused, ToJoin, ToPack, ToWrite

COMMAND = (sys.executable, "-P", "-m", "nightturn.storage.sealing_child")
WORDING = Wording("the process that seals", "sealing_process_ended", "the tape is kept and sealed later")
GIVES_BACK = {
    "MALLOC_ARENA_MAX": "1",
    "MALLOC_MMAP_THRESHOLD_": str(4 << 20),
    "MALLOC_TRIM_THRESHOLD_": str(1 << 20),
}
"""So that memory which a job has freed goes back to the system, as mallopt(3) of glibc has it. Six segments of 375 s at 10 kS/s sealed one after
another: 176 MB at the peak and 128 between two, where it was 187 and 172."""
JOB_S = 300.0
SLOWEST_BYTES_PER_S = 100_000.0
"""A job has `JOB_S` and a second for each so many bytes of its segment: eight minutes for a default chunk at 10 kS/s, which takes one or
two seconds. It is that long because the child may stand still while others keep every core busy; what hangs longer is begun again."""
HOUR_BYTES = 200_000_000  # of tape for the samples of a large joined file, by which its patience is reckoned
ROWS_A_MESSAGE = 500  # made in about a millisecond, during which the loop's thread waits


class ChildSealer(Child):
    """A `sealer.Sealer` whose work is done by one child.

    A segment whose job is refused stays in the journal, to be tried again or sealed by recovery.

    Args:
        root: the data root.
        lock: an open file whose lock says who owns the root. The child holds it too: after a kill nobody else owns the
            root before the child is gone. -1 for none.
        beside: another open file that the child holds, for whoever waits for its end; -1 for none.
        command: what to start, in front of its two words.
        at_once: whether it is there before its first job.
        patience: how long a job may take, seconds, by the bytes of its segment.
    """

    def __init__(
        self,
        root: Path,
        lock: int = -1,
        command: Sequence[str] = COMMAND,
        *,
        beside: int = -1,
        at_once: bool = True,
        patience: Callable[[int], float] = lambda length: JOB_S + length / SLOWEST_BYTES_PER_S,
    ) -> None:
        self._root = root
        self._patience = patience
        held = [each for each in (lock, beside) if each >= 0]
        super().__init__(command, WORDING, (str(root),), held, at_once=at_once, environment=GIVES_BACK)

    def write(self, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
        """As `seal.write_chunks`, in the child.

        Raises:
            StorageError: not written; the segment is where it was.
        """
        parts = [rows[begin : begin + ROWS_A_MESSAGE] for begin in range(0, len(rows), ROWS_A_MESSAGE)]
        job = ToWrite(segment_path, tuple(plans), len(parts))
        answer: Sealed | Refused = self.ask(job, *parts, patience=partial(self._limit_s, segment_path))
        if isinstance(answer, Refused):
            raise StorageError(answer.why)
        return answer

    def pack(self, path: str) -> int:
        """As `seal.pack_sealed`, in the child.

        Raises:
            StorageError: it cannot be compressed; it is whole as it is.
        """
        answer: int | Refused = self.ask(ToPack(path), patience=partial(self._limit_s, path))
        if isinstance(answer, Refused):
            raise StorageError(answer.why)
        return answer

    def join(self, fixture: str, run: str, now_utc_ns: int, by: str) -> Hours:
        """As `joining_raw.join_next_hour`, in the child.

        Raises:
            StorageError: not joined; everything that was there is still there.
        """
        job = ToJoin(fixture, run, now_utc_ns, by)
        answer: Hours | Refused = self.ask(job, patience=lambda: self._patience(HOUR_BYTES))
        if isinstance(answer, Refused):
            raise StorageError(answer.why)
        return answer

    def _limit_s(self, path: str) -> float:
        try:
            length = (self._root / path).stat().st_size
        except OSError:
            length = 0  # the child says what is wrong with it
        return self._patience(length)
