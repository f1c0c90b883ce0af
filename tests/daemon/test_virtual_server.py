"""`nightturn virtual` as a process: however it is started, a polite end gives the line back."""

import os
import signal
import subprocess
from pathlib import Path

from tests.daemon.processes import NIGHTTURN
from tests.waiting import LIMIT_S, wait


def test_it_ends_politely_where_a_shell_lets_interrupts_be_ignored(tmp_path: Path) -> None:
    link = tmp_path / "a.line"
    ignored = signal.signal(signal.SIGINT, signal.SIG_IGN)  # inherited, as a script's background job does
    try:
        process = subprocess.Popen([*NIGHTTURN, "virtual", "pan15", "--link", str(link)], cwd=tmp_path)
    finally:
        signal.signal(signal.SIGINT, ignored)
    try:
        wait(link.is_symlink, lambda: "no line came")
        os.kill(process.pid, signal.SIGTERM)
        process.wait(LIMIT_S)
    finally:
        process.kill()
        process.wait()
    assert not link.is_symlink()
    assert (tmp_path / "a.line.truth.json").is_file()
