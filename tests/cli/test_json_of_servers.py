"""`virtual` and `serve` as child processes with --json: one JSON object a line, from the first moment on."""

import json
import select
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest
from tests.cli.terminal import typed

from nightturn.demo.scenario import write_scene

PROGRAM = "import sys; from nightturn.cli import main; main(sys.argv[1:])"
PATIENCE_S = 30.0


@contextmanager
def running(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    """The command as a child; Ctrl-C at the end, which it must take well."""
    command = [sys.executable, "-c", PROGRAM, *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        try:
            yield child
            child.send_signal(signal.SIGINT)
            assert child.stdout is not None
            assert child.stderr is not None
            # Not `communicate`: it reads past what `readline` has buffered, and so begins in the middle of a line.
            out, err = child.stdout.read(), child.stderr.read()
            assert child.wait(PATIENCE_S) == 0, err
            for line in out.splitlines():
                assert isinstance(json.loads(line), dict), out
        finally:
            child.kill()


def first_line(child: subprocess.Popen[str]) -> str:
    """What it prints first, within patience."""
    assert child.stdout is not None
    ready, _, _ = select.select([child.stdout], [], [], PATIENCE_S)
    assert ready, "nothing was printed"
    return child.stdout.readline()


def test_a_virtual_fixture_prints_its_address_as_json(tmp_path: Path) -> None:
    link = tmp_path / "pan-a1.line"
    with running("virtual", "pan15?seed=7", "--link", str(link), "--json") as child:
        told = json.loads(first_line(child))
        assert told["spec"] == "pan15?seed=7"
        assert told["port"] == str(link)
        assert link.exists()


def test_an_address_on_tcp_is_what_a_rig_file_takes() -> None:
    with running("virtual", "pan15", "--tcp", "127.0.0.1:0", "--json") as child:
        port = json.loads(first_line(child))["port"]
        assert port.startswith("socket://127.0.0.1:")
        assert port.rpartition(":")[2] != "0"


def test_a_virtual_fixture_wants_one_place(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in ([], ["--link", "x", "--tcp", "127.0.0.1:0"]):
        code, _, err = typed(["virtual", "pan15", *arguments, "--json"], capsys)
        assert code == 2
        assert "give one place to serve on; allowed: --link PATH or --tcp HOST:PORT" in err


def logged(child: subprocess.Popen[str], event: str, lines_max: int) -> Sequence[dict[str, object]]:
    """The lines up to the one that tells this event."""
    told = []
    for _ in range(lines_max):
        told.append(json.loads(first_line(child)))
        if told[-1]["event"] == event:
            return told
    raise AssertionError(told)


def test_serve_logs_json_lines_on_stdout(tmp_path: Path) -> None:
    with running("serve", str(write_scene(tmp_path, 1.0, 7)), "--json") as child:
        told = logged(child, "waiting_for_card", 20)
        assert {"event", "level", "timestamp"} <= told[-1].keys()
