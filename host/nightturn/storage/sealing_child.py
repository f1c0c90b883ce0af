"""The process that seals for a daemon: `python -m nightturn.storage.sealing_child SOCKET ROOT`.

It takes one job at a time from a socket that it has inherited, and ends as soon as the other end is closed, in the middle
of a job as well: the files of a seal are written in an order that survives that.
"""

import sys
from collections.abc import Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import pyarrow as pa

from nightturn.errors import NightturnError, fault
from nightturn.model.records import Emit
from nightturn.storage.child_side import serve
from nightturn.storage.files import RealFiles
from nightturn.storage.joining_raw import Hours, join_next_hour
from nightturn.storage.seal import Sealed
from nightturn.storage.sealer import OwnSealer, Refused, ToJoin, ToPack, ToWrite
from nightturn.storage.without_pandas import do_without_pandas

NICE = 19  # behind everything: a seal is never urgent


def work(line: "Connection[Sealed | int | Hours | Refused, Any]") -> None:
    """Do what is asked for until the other end is closed."""
    root = Path(sys.argv[2])
    while True:
        job: ToWrite | ToPack | ToJoin = line.recv()
        rows = _rows(line, job.messages) if isinstance(job, ToWrite) else []
        line.send(_done(root, job, rows))


def _rows(line: "Connection[Any, Sequence[Emit]]", messages: int) -> list[Emit]:
    return [row for _ in range(messages) for row in line.recv()]


def _done(root: Path, job: ToWrite | ToPack | ToJoin, rows: Sequence[Emit]) -> Sealed | int | Hours | Refused:
    files = RealFiles(root)
    sealer = OwnSealer(files)
    try:
        if isinstance(job, ToJoin):
            return join_next_hour(root, files, job.fixture, job.run, job.now_utc_ns, job.by)
        if isinstance(job, ToWrite):
            return sealer.write(job.segment_path, job.plans, rows)
        return sealer.pack(job.path)
    except (NightturnError, OSError) as error:
        return Refused(str(error))
    except Exception as error:  # noqa: BLE001 - a fault of ours with this segment is no reason to leave the others undone
        return Refused(f"a fault of nightturn: {fault(error)}")


def pool() -> pa.MemoryPool:
    """The allocator that gives back most between parts: 161 MB at the peak of a default chunk, where others had 174 and 186."""
    if "jemalloc" in pa.supported_memory_backends():  # not in every build of Arrow
        return pa.jemalloc_memory_pool()
    return pa.system_memory_pool()


def main() -> None:
    """Take the words of the command line and work."""
    do_without_pandas()
    pa.set_memory_pool(pool())
    serve(work, NICE)


if __name__ == "__main__":
    main()
