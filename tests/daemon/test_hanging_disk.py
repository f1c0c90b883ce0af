"""A disk that takes a call and never returns: the daemon ends all the same, and says what is not durable."""

import signal
import sys
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.waiting import wait

from nightturn.storage.runs import list_runs

# The command line as it is, but for the bound, and for one operation of the disk that hangs once a file is there. Threads of a
# library that were there before may get the signal in the daemon's stead.
PROGRAM = """
import os, pathlib
os.environ["OPENBLAS_NUM_THREADS"] = "{threads}"
from nightturn.cli import main
from nightturn.daemon import leaving
from nightturn.storage.files import RealFiles

leaving.ENDS_S = {ends_s}
never, _open = os.pipe()
whole = RealFiles.{operation}

def hangs(self, *arguments):
    if pathlib.Path("hangs").exists():
        pathlib.Path("hung").touch()
        os.read(never, 1)
    return whole(self, *arguments)

RealFiles.{operation} = hangs
main()
"""


SYNC, APPEND = ("sync", "in a thread of the offload"), ("append", "in the loop's own thread")
TERM, INT = (signal.SIGTERM, 1), (signal.SIGINT, 2)


@pytest.mark.parametrize(
    ("operation", "where", "number", "threads"),
    [
        (*SYNC, *TERM),
        (*APPEND, *INT),
        # each operation and each signal is in one of those above
        pytest.param(*SYNC, *INT, marks=pytest.mark.long),
        pytest.param(*APPEND, *TERM, marks=pytest.mark.long),
    ],
)
def test_the_daemon_ends_and_says_what_is_not_durable(
    tmp_path: Path, processes: Processes, operation: str, where: str, number: signal.Signals, threads: int
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    mount(tmp_path, "pan-a1")
    program = [sys.executable, "-c", PROGRAM.format(operation=operation, ends_s=3, threads=threads)]
    serve = processes.start("serve", str(bench), program=program)
    serve.says("run_open")
    (tmp_path / "hangs").touch()
    wait((tmp_path / "hung").exists, lambda: f"nothing hangs {where}: {serve.said}")

    assert serve.interrupt(number) == 4, serve.said

    assert "not_closed" in serve.said
    (run,) = list_runs(tmp_path / "nights")
    assert f"records of run {run.run}, those of the last" in serve.said
    (tmp_path / "hangs").unlink()
    again = processes.start("serve", str(bench))
    again.says("run_open")
    assert again.interrupt() == 0
    assert [each.run for each in list_runs(tmp_path / "nights")] == [run.run]


def test_a_disk_that_hangs_while_a_run_is_recovered_is_left_as_well(
    tmp_path: Path, processes: Processes
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    mount(tmp_path, "pan-a1")
    first = processes.start("serve", str(bench))
    first.says("run_open")
    first.kill()
    (tmp_path / "hangs").touch()
    program = [sys.executable, "-c", PROGRAM.format(operation="sync", ends_s=3, threads=1)]
    serve = processes.start("serve", str(bench), program=program)
    wait((tmp_path / "hung").exists, lambda: serve.said)

    assert serve.interrupt() == 4, serve.said

    assert "its tape is being recovered" in serve.said


def test_a_disk_that_answers_is_waited_for(tmp_path: Path, processes: Processes) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    mount(tmp_path, "pan-a1")
    program = [sys.executable, "-c", PROGRAM.format(operation="sync", ends_s=40, threads=1)]
    serve = processes.start("serve", str(bench), program=program)
    serve.says("run_open")

    assert serve.interrupt() == 0, serve.said

    assert "not_closed" not in serve.said
