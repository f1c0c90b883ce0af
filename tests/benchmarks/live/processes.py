"""What the kernel says of a process: CPU time and memory (proc(5))."""

import os
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

UTIME_AT, STIME_AT = 11, 12  # of the words behind the name
KIB = 1024


@dataclass(frozen=True, slots=True)
class Usage:
    """What a process has used so far: CPU seconds, and the most memory that was resident at a time, bytes."""

    cpu_s: float = 0.0
    rss_peak_bytes: int = 0


def usage(pid: int) -> Usage:
    """Of a process; nothing where it has ended."""
    place = Path(f"/proc/{pid}")
    try:
        words = (place / "stat").read_text(encoding="utf-8").rpartition(") ")[2].split()
        status = (place / "status").read_text(encoding="utf-8")
    except (FileNotFoundError, ProcessLookupError):
        return Usage()
    ticks = int(words[UTIME_AT]) + int(words[STIME_AT])
    peak_kib = next((int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM:")), 0)
    return Usage(ticks / os.sysconf("SC_CLK_TCK"), peak_kib * KIB)


def of_this_thread() -> tuple[float, float]:
    """CPU time of the thread that asks, and how long it was ready and had no core, seconds (Linux, Documentation/scheduler/sched-stats.rst)."""
    words = Path("/proc/thread-self/schedstat").read_text(encoding="ascii").split()
    return int(words[0]) / 1e9, int(words[1]) / 1e9


def runs(pid: int) -> bool:
    """Whether it has not ended; one that has, and was not asked how, has."""
    try:
        return ") Z " not in Path(f"/proc/{pid}/stat").read_text(encoding="utf-8")
    except (FileNotFoundError, ProcessLookupError):
        return False


def module_of(pid: int) -> str:
    """The module that a Python process was started with, `multiprocessing.spawn` for its children; empty where it has ended."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
    except (FileNotFoundError, ProcessLookupError):
        return ""
    if any("multiprocessing.spawn" in word for word in words):
        return "multiprocessing.spawn"
    return next((word for before, word in pairwise(words) if before == "-m"), "")


def children(pid: int) -> list[int]:
    """The processes that any thread of this one has started and that have not ended."""
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(word) for word in task.read_text(encoding="ascii").split()]
        except (FileNotFoundError, ProcessLookupError):
            continue  # a thread that has ended meanwhile
    return found
