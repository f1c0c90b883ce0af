"""The process that reads a unit's earlier nights for whoever records: `python -m nightturn.unit_history.earlier_child SOCKET`."""

from multiprocessing.connection import Connection
from pathlib import Path

import msgspec

from nightturn.model.facts import RunOpened
from nightturn.storage.child_side import serve
from nightturn.unit_history.earlier import earlier_of

NICE = 10  # a run waits for it, behind those that turn


def work(line: "Connection[bytes, tuple[str, RunOpened]]") -> None:
    """Answer until the other end is closed."""
    while True:
        root, opened = line.recv()
        line.send(msgspec.msgpack.encode(earlier_of(Path(root), opened)))


if __name__ == "__main__":
    serve(work, NICE)
