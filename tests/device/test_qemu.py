"""The emulator as the tests use it: its lines, its controls, and what it says when something is missing."""

import socket
import time
from pathlib import Path

import pytest
from tests.device.board_session import SESSION, SPARE
from tests.device.build import built
from tests.device.client import Client
from tests.device.qemu import Qemu, Wiring

from nightturn_protocol import messages
from nightturn_protocol.framing import Deframer, frame_body, parse_message, to_wire

IMAGE = "mps2-an385.elf"
PATIENCE_S = 30.0  # a hang guard
PAUSED_S = 2.0  # twenty periods of STATUS, so that a busy machine's delays are told from it
TICKS_PER_S = 1_000_000

pytestmark = pytest.mark.alone


def test_a_missing_emulator_is_named_with_its_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))

    with pytest.raises(AssertionError, match="Debian package qemu-system-arm"):
        Qemu(tmp_path / "none.elf")


def test_a_board_that_does_not_start_fails_with_what_the_emulator_says(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="unsupported machine"):
        Qemu(tmp_path / "none.elf", Wiring(options=("-M", "no-such-board")))


def test_a_board_answers_over_a_socket_too() -> None:
    opening = to_wire(frame_body(messages.Open(0, 1, 0, 0, 0, SESSION, 0, 1), SESSION, 1))
    deframer = Deframer()
    bodies: list[bytes] = []
    with Qemu(built(IMAGE), Wiring(uart="socket")) as board:
        host, port = board.port.removeprefix("socket://").split(":")
        until_s = time.monotonic() + PATIENCE_S
        with socket.create_connection((host, int(port)), PATIENCE_S) as line:
            line.sendall(b"\0" + opening)
            while not bodies:
                assert time.monotonic() < until_s
                bodies += deframer.receive_bytes(line.recv(4096))

    assert isinstance(parse_message(bodies[0]), messages.Opened)


def test_a_paused_machine_is_silent_and_its_clock_stands() -> None:
    with Qemu(built(IMAGE)) as board, Client(board.port) as host:
        host.open(SESSION)
        board.qmp("stop")
        host.listen(0.1)
        silent = host.listen(PAUSED_S)
        before = [each for _, each in host.heard if isinstance(each, messages.Status)][-1]
        board.qmp("cont")
        after = host.next(messages.Status)

    assert silent == []
    assert after.tick - before.tick < PAUSED_S * TICKS_PER_S  # some periods of STATUS: the pause is not in it


def test_the_debugger_reads_and_writes_and_lets_the_board_go_on() -> None:
    with Qemu(built(IMAGE)) as board, Client(board.port) as host:
        host.open(SESSION)
        content = bytes(range(256)) * 9  # several packets
        with board.debugger() as gdb:
            gdb.write(SPARE, content)
            found = gdb.read(SPARE, len(content))
            kept = gdb.register("r7")
            gdb.set_register("r7", 0x1234_5678)
            changed = gdb.register("r7")
            gdb.set_register("r7", kept)
            with pytest.raises(AssertionError, match="0x90000000"):
                gdb.read(0x9000_0000, 4)
        status = host.next(messages.Status)

    assert found == content
    assert changed == 0x1234_5678
    assert status.next_index > 0


def test_stopping_ends_the_process_even_when_the_machine_is_paused() -> None:
    board = Qemu(built(IMAGE))
    board.qmp("stop")

    board.stop()

    assert not board.runs
    assert board.process.returncode == 0
