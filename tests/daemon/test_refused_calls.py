"""Calls to the kernel that are refused or held up under the real daemon with a native device, put in by strace(1).

No stand-in for files has a part in it: what fails is `fdatasync` or another call itself, at its n-th time in a thread. Attached to
a daemon it begins under a shaft that turns, and the disk mends when strace lets go.
"""

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.daemon.processes import NIGHTTURN, Child, Processes, mount, write_bench
from tests.device.native import NativeDevice, NativeDevices
from tests.waiting import act_for, wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO
from nightturn.motion.interlocks import UNTRIED
from nightturn.storage.runs import list_runs
from nightturn.storage.verify import verify

STRACE = shutil.which("strace")
GROWS_BYTES = 30_000
HELD_S = 4.0  # longer than a shaft turns without a sync, 2.5 s
LOCKED = '"motion_locked"'
MENDED_S = 90.0  # what a failed sync has left is cut within half a minute, and sealed

# Of a shaft that turns: what is put in, and whether the shaft must have been stopped for it.
UNDER_WAY = {
    "each sync takes 3 s": ("fdatasync", "delay_enter=3000000:when=1+", True),
    "each sync fails": ("fdatasync", "error=EIO:when=1+", True),
    "each sync takes 0.3 s": ("fdatasync", "delay_enter=300000:when=1+", False),
    "folders are not synced": ("fsync", "error=EIO:when=1+", True),
    "one sync fails": ("fdatasync", "error=EIO:when=1", True),
    "the third sync fails": ("fdatasync", "error=EIO:when=3", True),
    "each second sync fails": ("fdatasync", "error=EIO:when=2+2", True),
    "one sync takes 6 s": ("fdatasync", "delay_enter=6000000:when=1", True),
    "each sync takes 0.8 s": ("fdatasync", "delay_exit=800000:when=1+", False),
    "nothing is renamed": ("rename", "error=ENOSPC:when=1+", False),
    "the disk is full at a sync": ("fdatasync", "error=ENOSPC:when=2", True),
    "a quota at a sync": ("fdatasync", "error=EDQUOT:when=1+", True),
}
NAMES = list(UNDER_WAY)
GROUPS = [NAMES[:2], *(pytest.param(NAMES[at : at + 5], marks=pytest.mark.long) for at in (2, 7))]

# Of a start: it may end by the error or go on, and the next one goes on in any case.
OF_A_START = [
    *((call, f"error=EIO:when={nth}") for call in ("fdatasync", "fsync") for nth in (1, 2, 4)),
    ("rename", "error=ENOSPC:when=1"),
    ("rename", "error=EIO:when=2"),
    ("fdatasync", "delay_enter=500000:when=1+5"),
    ("fsync", "delay_enter=500000:when=1+"),
]
BEGUN = ('"run_open"', '"run_not_opened"')
RECORDS_S = 2.0


@contextmanager
def put_in(serve: Child, call: str, how: str, log: Path) -> Iterator[None]:
    """The calls of a process that runs are spoilt until the end; `log` gets a line for each that is met."""
    log.write_text("")
    assert STRACE is not None
    words = [STRACE, "-q", "-f", "-e", f"trace={call}", "-e", f"inject={call}:{how}", "-o", str(log)]
    spoiling = subprocess.Popen([*words, "-p", str(serve.process.pid)], stderr=subprocess.PIPE)
    try:
        yield
    finally:
        spoiling.send_signal(signal.SIGINT)
        _, said = spoiling.communicate(timeout=20.0)
    assert b"ttach" not in said, said  # it says so where it may not


def is_met(call: str, log: Path) -> None:
    """Wait until the daemon makes a call that is spoilt; that it was delayed is on its line only when it is over."""
    wait(lambda: f"{call}(" in log.read_text(encoding="utf-8"), lambda: f"no {call}")


def recording(tmp_path: Path, processes: Processes, device: NativeDevice, *begin: str) -> Child:
    """A daemon on a native device, with these words in front of its own."""
    mount(tmp_path, "pan-a1")
    bench = write_bench(tmp_path, {"pan-a1": device.port}, after_restart="stay")
    rig = bench.read_text(encoding="utf-8")
    bench.write_text(rig.replace("rate_hz = 1000\n", "rate_hz = 1000\nchunk_s = 10\n"), encoding="utf-8")
    return processes.start("serve", str(bench), program=[*begin, *NIGHTTURN])


def tape_grows(tmp_path: Path, serve: Child) -> None:
    """Wait until the segment that is written holds so much more, or the one behind it so much."""

    def newest() -> tuple[str, int]:
        found = {
            path.name: path.stat().st_size for path in (tmp_path / "nights/journal/pan-a1").glob("*.ntj")
        }
        return max(found.items())

    name, size = newest()

    def grows() -> bool:
        now, now_size = newest()
        return now_size > GROWS_BYTES + (size if now == name else 0)

    wait(grows, lambda: serve.said)


def turns(tmp_path: Path, serve: Child, device: NativeDevice) -> None:
    """A person lets the shaft turn, as soon as the tape is durable again; says so once more where a busy machine let a lease lapse."""

    def is_turning() -> bool:
        if device.state()["moving"]:
            return True
        problem = ask(tmp_path / "nights", new_request(GO, "pan-a1", "R. Vale", unit="Q-0117")).problem
        if UNTRIED in problem:
            device.make("guard open")
            wait(lambda: '"guard_opened"' in serve.said, lambda: serve.said)
            device.make("guard closed")
        return False

    wait(is_turning, lambda: serve.said, MENDED_S)


def locked_by_disk(serve: Child) -> int:
    """How often motion was locked because nothing was durable."""
    said = (line for line in serve.said.splitlines() if LOCKED in line)
    return sum(any(word in line for word in ("sync", "disk")) for line in said)


def all_is_there_or_explained(tmp_path: Path, processes: Processes) -> None:
    """The next start on a disk that is well goes on with the same run, and nothing is missing that no row explains."""
    again = processes.start("serve", str(tmp_path / "bench.toml"))
    again.says('"run_open"')
    tape_grows(tmp_path, again)
    assert again.interrupt() == 0
    report = verify(tmp_path / "nights", run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    assert len(list_runs(tmp_path / "nights")) == 1


needs_strace = pytest.mark.skipif(STRACE is None, reason="no strace here; tests/run installs it")


@needs_strace
@pytest.mark.parametrize("faults", GROUPS, ids=["two", "five", "five more"])
def test_a_shaft_stops_where_nothing_is_durable_and_recording_goes_on_when_the_calls_succeed_again(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, faults: list[str]
) -> None:
    device, log = native_device(), tmp_path / "calls"
    serve = recording(tmp_path, processes, device)
    serve.says('"run_open"')
    for name in faults:
        call, how, stops = UNDER_WAY[name]
        turns(tmp_path, serve, device)
        locked, by_disk = serve.said.count(LOCKED), locked_by_disk(serve)
        with put_in(serve, call, how, log):
            is_met(call, log)
            if stops:
                serve.says(LOCKED, locked + 1)
                wait(lambda: not device.state()["moving"], lambda: serve.said)
            else:
                act_for(HELD_S, "calls are slow or refused, and the tape is still durable in time")
        assert stops or locked_by_disk(serve) == by_disk, name
        tape_grows(tmp_path, serve)
    assert serve.interrupt() == 0, serve.said
    assert "Traceback" not in serve.said
    all_is_there_or_explained(tmp_path, processes)


@needs_strace
@pytest.mark.long
@pytest.mark.parametrize(("call", "how"), OF_A_START)
def test_a_start_whose_calls_fail_goes_on_or_ends_by_storage_and_the_next_one_records(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, call: str, how: str
) -> None:
    device = native_device()
    traced = ["strace", "-D", "-f", "--seccomp-bpf", "-e", f"trace={call}", "-e", f"inject={call}:{how}"]
    serve = recording(tmp_path, processes, device, *traced, "-o", os.devnull)
    wait(
        lambda: serve.process.poll() is not None or any(word in serve.said for word in BEGUN),
        lambda: serve.said,
    )
    act_for(RECORDS_S, "the first seconds of recording")
    code = serve.process.poll()
    assert serve.interrupt() == 0 if code is None else code == 4, serve.said
    assert "Traceback" not in serve.said
    all_is_there_or_explained(tmp_path, processes)
