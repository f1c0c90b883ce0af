"""Files on which chosen operations fail, and a journal on them."""

import errno
import os
from pathlib import Path

from tests.storage.recording import RecordingFiles
from tests.storage.scenario import FIXTURE, RUN, FixedClock, bench_signal, block_frames, cut, plan_for
from typing_extensions import override

from nightturn.model.rows import ChunkPlan
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.world import Files


class FailingFiles(RecordingFiles):
    """Files on which chosen operations fail: an append writes part of its bytes first, as a full disk does."""

    def __init__(self, inner: Files) -> None:
        super().__init__(inner)
        self.fails: dict[str, int] = {}  # operation -> bytes that still get written (append) or 0

    @override
    def append(self, path: str, content: bytes) -> None:
        if "append" in self.fails:
            super().append(path, content[: self.fails["append"]])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)
        super().append(path, content)

    @override
    def sync(self, path: str) -> None:
        if "sync" in self.fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        super().sync(path)

    @override
    def truncate(self, path: str, size: int) -> None:
        if "truncate" in self.fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        super().truncate(path, size)

    @override
    def replace(self, source: str, target: str) -> None:
        if "replace" in self.fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO), source)
        super().replace(source, target)


def opened_journal(root: Path) -> tuple[FailingFiles, Journal]:
    files = FailingFiles(RealFiles(root))
    journal = Journal(files, FIXTURE, FixedClock(), new_id=iter(range(1, 100)).__next__)
    journal.open(1, RUN, 1, b"state")
    return files, journal


def written_chunk(journal: Journal, samples: int = 2000) -> tuple[str, ChunkPlan]:
    """Blocks and a cut on the tape, the segment finished; its path and plan."""
    first = journal.next_record_no
    raw, encoder = bench_signal(samples)
    last = journal.write([*block_frames(raw, encoder), cut()])
    path = journal.rotate(b"state after", RUN, 1)
    return path, plan_for(first, last, samples)
