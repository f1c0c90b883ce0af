"""The process that seals for the daemon: its death costs nothing, and a dead daemon's is gone before another one begins."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.waiting import wait

from nightturn.bench.locks import own_root
from nightturn.errors import StorageError
from nightturn.storage.verify import verify

OWNER = """
import signal, sys
from pathlib import Path
from nightturn.bench.locks import own_root
from nightturn.storage.child_sealer import ChildSealer

root = Path(sys.argv[1])
owned = own_root(root, "nightturn serve")
with ChildSealer(root, owned.descriptor) as sealer:
    print(sealer._child.process.pid, flush=True)
    signal.pause()
"""


def child_of(parent: int) -> int:
    """The child of a process that seals; another one works figures out."""
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text(encoding="ascii").split()
    (child,) = (each for each in children if b"sealing_child" in Path(f"/proc/{each}/cmdline").read_bytes())
    return int(child)


def test_a_seal_follows_the_death_of_the_process_that_was_to_make_it(
    tmp_path: Path, processes: Processes
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    journal = tmp_path / "nights" / "journal" / "pan-a1"
    wait(lambda: sum(tape.stat().st_size for tape in journal.glob("*.ntj")) > 20_000, lambda: serve.said)
    for each in (serve.process.pid, child_of(serve.process.pid)):
        assert "pandas" not in Path(f"/proc/{each}/maps").read_text(encoding="utf-8")
    os.kill(child_of(serve.process.pid), signal.SIGKILL)

    assert serve.interrupt() == 0, serve.said

    assert serve.said.count("sealing_process_ended") == 1
    (report,) = verify(tmp_path / "nights", run="all").runs
    assert report.problems == []
    assert report.stored > 0
    assert len(list((journal / "sealed").iterdir())) == 1


def test_a_killed_owner_of_a_root_is_followed_by_nobody_while_its_child_may_still_write(
    tmp_path: Path,
) -> None:
    owner = subprocess.Popen([sys.executable, "-c", OWNER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    with owner:
        assert owner.stdout is not None
        child = int(owner.stdout.readline())
        os.kill(child, signal.SIGSTOP)
        owner.kill()
    try:
        with pytest.raises(StorageError, match="owns it until it ends"):
            own_root(tmp_path, "nightturn serve")
    finally:
        os.kill(child, signal.SIGCONT)
    wait(lambda: not Path(f"/proc/{child}").exists() or zombie(child), lambda: "the child goes on")

    own_root(tmp_path, "nightturn serve").release()


def zombie(pid: int) -> bool:
    """Whether it has ended, and nobody has asked how."""
    return ") Z " in Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
