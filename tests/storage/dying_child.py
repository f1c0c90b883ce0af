"""The process that seals, which dies at a stage that a file names, once or each time: `dying_child.py SOCKET ROOT`.

The file `stage` below the root holds the stage's name; it is removed at the first death, unless the name begins with
`always `. A stage that begins with `hang ` waits there for ever instead of dying.
"""

import os
import signal
import sys
from pathlib import Path
from typing import Any

from typing_extensions import override

from nightturn.storage import sealing_child
from nightturn.storage.files import RealFiles
from nightturn.storage.sealer import OwnSealer

BEFORE = "before anything"
HALF_A_FILE = "half of a file written"
RAW_RENAMED = "the raw samples in their place"
NO_REPLY = "all written, nothing answered"
HALF_PACKED = "half of the compressed tape written"
PACKED_NO_REPLY = "the tape compressed, nothing answered"
STAGES = (
    BEFORE,
    HALF_A_FILE,
    RAW_RENAMED,
    NO_REPLY,
    HALF_PACKED,
    PACKED_NO_REPLY,
)
"""In the order in which a seal comes by them; what lies between is in `test_child_sealer.py`, without a process."""


def stage_file(root: Path) -> Path:
    return root / "stage"


def at(root: Path, stage: str) -> bool:
    """Whether this is where to die; then the file says so no more, unless it is for always."""
    named = stage_file(root)
    said = named.read_text(encoding="utf-8") if named.exists() else ""
    if said == stage:
        named.unlink()
    return stage in {said, said.removeprefix("always "), said.removeprefix("hang ")}


def die(root: Path) -> None:
    named = stage_file(root)
    if named.exists() and named.read_text(encoding="utf-8").startswith("hang "):
        (root / "hangs").touch()
        signal.pause()
    os.kill(os.getpid(), signal.SIGKILL)
    signal.pause()


class DyingFiles(RealFiles):
    """Real files in which the process dies at its stage."""

    @override
    def append(self, path: str, content: bytes) -> None:
        stage = HALF_PACKED if "/sealed/" in path else HALF_A_FILE
        if at(self.root, stage):
            super().append(path, content[: len(content) // 2])
            die(self.root)
        super().append(path, content)

    @override
    def replace(self, source: str, target: str) -> None:
        super().replace(source, target)
        if target.startswith("raw/") and at(self.root, RAW_RENAMED):
            die(self.root)


class DyingSealer(OwnSealer):
    """Seals as it does, and dies before or behind it."""

    @override
    def write(self, *job: Any) -> Any:
        if at(ROOT, BEFORE):
            die(ROOT)
        done = super().write(*job)
        if at(ROOT, NO_REPLY):
            die(ROOT)
        return done

    @override
    def pack(self, path: str) -> int:
        size = super().pack(path)
        if at(ROOT, PACKED_NO_REPLY):
            die(ROOT)
        return size


if __name__ == "__main__":
    ROOT = Path(sys.argv[2])
    setattr(sealing_child, "RealFiles", DyingFiles)  # noqa: B010 - put in from outside, where the child makes its own
    setattr(sealing_child, "OwnSealer", DyingSealer)  # noqa: B010 - the same
    sealing_child.main()
