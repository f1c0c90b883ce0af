"""Raw chunks that a run must have and that are not there: by the numbers of records in the names of the others, and by its manifest."""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.manifest import ENDED, Manifest
from nightturn.storage.spans import Span


class Absent(NamedTuple):
    """Records in no raw chunk; `before` and `after` are the chunks on either side, None at an end of the run."""

    first: int
    last: int
    before: ChunkFile | None
    after: ChunkFile | None

    @property
    def text(self) -> str:
        """What is said of them."""
        return f"records {self.first} to {self.last} of the run are in no raw chunk that is there"


def absent(chunks: Sequence[ChunkFile], manifest: Manifest | None) -> list[Absent]:
    """What lies between the raw chunks of a run that has ended, and at its ends as far as its manifest says; no file is opened."""
    found = [
        Absent(one.name.last + 1, other.name.first - 1, one, other)
        for one, other in pairwise(chunks)
        if other.name.first > one.name.last + 1
    ]
    if manifest is None or manifest.state != ENDED or not manifest.record_last:
        return found
    first = chunks[0].name.first if chunks else manifest.record_last + 1
    last = chunks[-1].name.last if chunks else manifest.record_last
    if manifest.record_first and manifest.record_first < first:
        found.insert(0, Absent(manifest.record_first, first - 1, None, chunks[0] if chunks else None))
    if manifest.record_last > last:
        found.append(Absent(last + 1, manifest.record_last, chunks[-1], None))
    return found


def absent_between(
    found: Sequence[tuple[ChunkFile, Span]], manifest: Manifest | None, start_ns: int, stop_ns: int
) -> list[Absent]:
    """What of it may have samples in [start, stop), by the times of the chunks on either side."""
    times = {each.path: span for each, span in found}
    return [
        each
        for each in absent([file for file, _ in found], manifest)
        if (
            (each.before is None or (span := times[each.before.path]) is None or stop_ns > span[1])
            and (each.after is None or (span := times[each.after.path]) is None or start_ns < span[0])
        )
    ]
