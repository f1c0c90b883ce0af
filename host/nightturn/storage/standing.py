"""How a run stands: its manifest says what was recorded of it last, the lock of the data root whether anybody still records."""

import fcntl
import os
import time
from pathlib import Path
from typing import Literal

from nightturn.errors import NightturnError
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import RUNNING, Manifest
from nightturn.storage.segment import read_header

GROWTH_S = 0.3

Standing = Literal["running", "interrupted", "ended", "unknown"]


def recorder_alive(root: Path) -> bool:
    """Whether a process records below a data root: its lock is held. What the lock's file says does not matter."""
    try:
        descriptor = os.open(root / paths.ROOT_LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)  # closing gives it back
    except OSError:
        return True
    finally:
        os.close(descriptor)
    return False


def standing(root: Path, manifest: Manifest | None) -> Standing:
    """How a run stands.

    One that never ended is `running` while its recorder writes its tape, else `interrupted`: the next start goes on with
    it. Without a manifest nothing is known.
    """
    return standing_of(root, manifest.fixture, manifest.run, manifest.state) if manifest else "unknown"


def standing_of(root: Path, fixture: str, run: str, state: str) -> Standing:
    """The same by the state that the run's manifest says; empty where there is none."""
    if not state:
        return "unknown"
    if state != RUNNING:
        return "ended"
    return "running" if recorder_alive(root) and _is_written(root, fixture, run) else "interrupted"


def _is_written(root: Path, fixture: str, run: str) -> bool:
    """Whether the recorder that holds the root writes tape of the run; a rig without its fixture leaves old tape lie."""
    tape = _unsealed(root, fixture, run)
    if tape is None:
        return False
    try:
        if tape.stat().st_mtime_ns >= (root / paths.ROOT_LOCK).stat().st_mtime_ns:
            return True  # after the recorder began
        before = (
            tape.stat().st_size
        )  # or the wall clock was put back: a tape that is written grows ten times a second
        time.sleep(GROWTH_S)
        return tape.stat().st_size > before
    except FileNotFoundError:  # sealed meanwhile, so somebody is at work
        return True


def _unsealed(root: Path, fixture: str, run: str) -> Path | None:
    """The run's newest segment that is not sealed."""
    for path in reversed(tree.segments(RealFiles(root), paths.journal_folder(fixture))):
        try:
            if read_header(root / path, path).run == run:
                return root / path
        except (NightturnError, OSError):  # torn, or moved meanwhile: `verify` names it
            continue
    return None
