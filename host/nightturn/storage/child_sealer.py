"""Seals in a child process of low priority, so that a core's loop never shares its interpreter with them."""

import sys
from collections.abc import Sequence
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.model.records import Emit
from nightturn.model.rows import ChunkPlan
from nightturn.storage.child import Child, Wording
from nightturn.storage.seal import Sealed
from nightturn.storage.sealer import Refused, ToPack, ToWrite

COMMAND = (sys.executable, "-P", "-m", "nightturn.storage.sealing_child")
WORDING = Wording("the process that seals", "sealing_process_ended", "the tape is kept and sealed later")
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
    """

    def __init__(
        self, root: Path, lock: int = -1, command: Sequence[str] = COMMAND, *, beside: int = -1
    ) -> None:
        held = [each for each in (lock, beside) if each >= 0]
        super().__init__(command, WORDING, (str(root),), held, at_once=True)

    def write(self, segment_path: str, plans: Sequence[ChunkPlan], rows: Sequence[Emit]) -> Sealed:
        """As `seal.write_chunks`, in the child.

        Raises:
            StorageError: not written; the segment is where it was.
        """
        parts = [rows[begin : begin + ROWS_A_MESSAGE] for begin in range(0, len(rows), ROWS_A_MESSAGE)]
        answer: Sealed | Refused = self.ask(ToWrite(segment_path, tuple(plans), len(parts)), *parts)
        if isinstance(answer, Refused):
            raise StorageError(answer.why)
        return answer

    def pack(self, path: str) -> int:
        """As `seal.pack_sealed`, in the child.

        Raises:
            StorageError: it cannot be compressed; it is whole as it is.
        """
        answer: int | Refused = self.ask(ToPack(path))
        if isinstance(answer, Refused):
            raise StorageError(answer.why)
        return answer
