"""Emulated boards: qemu-system-arm with one UART on a pty, a socket or a file; QMP and a debugger where a test wants them."""

import json
import os
import re
import select
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.device.gdb import Gdb
from tests.waiting import wait

QEMU = "qemu-system-arm"
MISSING = f"{QEMU} is missing: tests/run installs it (Debian package qemu-system-arm)"
START_S_MAX = 20.0  # hang guards, not limits of speed
STOP_S_MAX = 10.0
REPLY_S_MAX = 20.0
BOARD_NUMBER_AT = 0x003F_FFFC
_PTY = re.compile(rb"char device redirected to (/dev/pts/\d+)")


@dataclass(frozen=True, slots=True)
class Wiring:
    """What stands around an image.

    Attributes:
        machine: a board of QEMU.
        number: of the board, in its last word of flash; names it, and makes its bench another unit.
        uart: `pty`, `socket` (TCP on the loopback) or the file that takes what is sent.
        icount: value of -icount; the processor's time then follows its instructions.
        options: further words of the command line.
    """

    machine: str = "mps2-an385"
    number: int = 0
    uart: str | Path = "pty"
    icount: str | None = None
    options: tuple[str, ...] = ()


class Qemu:
    """A running board; `with` stops it.

    Attributes:
        port: path of the pty, or `socket://host:port`, or the path of the file.
    """

    def __init__(self, image: Path, wiring: Wiring | None = None) -> None:
        program = shutil.which(QEMU)
        assert program, MISSING
        self.wiring = Wiring() if wiring is None else wiring
        self._folder = tempfile.TemporaryDirectory(prefix="nightturn-qemu-")
        self._errors = Path(self._folder.name, "stderr").open("w+b")  # noqa: SIM115  lives as long as the process
        self._qmp: socket.socket | None = None
        self._lines = b""
        self.port = ""
        self.process = subprocess.Popen(
            [program, *self._words(image)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            bufsize=0,
        )
        try:
            self.port = self._find_port()
        except BaseException:
            self.stop()
            raise

    def _socket_path(self, name: str) -> str:
        return str(Path(self._folder.name, name))

    def _words(self, image: Path) -> list[str]:
        wiring = self.wiring
        words = [
            "-M",
            wiring.machine,
            "-nodefaults",
            "-display",
            "none",
            "-monitor",
            "none",
            "-kernel",
            str(image),
        ]
        if wiring.uart == "pty":
            words += ["-chardev", "pty,id=uart"]
        elif wiring.uart == "socket":
            self._tcp_port = _free_port()
            options = "server=on,wait=off,nodelay=on"
            words += ["-chardev", f"socket,id=uart,host=127.0.0.1,port={self._tcp_port},{options}"]
        else:
            words += ["-chardev", f"file,id=uart,path={wiring.uart}"]
        words += ["-serial", "chardev:uart"]
        words += ["-qmp", f"unix:{self._socket_path('qmp')},server=on,wait=off"]
        words += ["-chardev", f"socket,id=gdb,path={self._socket_path('gdb')},server=on,wait=off"]
        words += ["-gdb", "chardev:gdb"]
        if wiring.number:
            words += ["-device", f"loader,addr={BOARD_NUMBER_AT:#x},data={wiring.number},data-len=4"]
        if wiring.icount is not None:
            words += ["-icount", wiring.icount]
        return [*words, *wiring.options]

    def _find_port(self) -> str:
        if isinstance(self.wiring.uart, Path):
            return str(self.wiring.uart)
        until_s = time.monotonic() + START_S_MAX
        if self.wiring.uart == "socket":
            self.qmp("query-status")  # answered when all lines are there
            return f"socket://127.0.0.1:{self._tcp_port}"
        said = b""
        assert self.process.stdout is not None
        while (found := _PTY.search(said)) is None:
            left_s = until_s - time.monotonic()
            readable, _, _ = select.select([self.process.stdout], [], [], max(left_s, 0))
            piece = os.read(self.process.stdout.fileno(), 4096) if readable else b""
            assert piece, f"{QEMU} named no pty: {said!r} {self.errors()}"
            said += piece
        return found[1].decode()

    def errors(self) -> str:
        """What the emulator wrote to its error output so far."""
        self._errors.flush()
        return Path(self._errors.name).read_text(encoding="utf-8", errors="replace")

    @property
    def runs(self) -> bool:
        """Whether the process is there."""
        return self.process.poll() is None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def stop(self) -> None:
        """End the process and forget its files."""
        if self._qmp is not None:
            self._qmp.close()
            self._qmp = None
        if self.runs:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
        try:
            self.process.wait(STOP_S_MAX)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()
        self._errors.close()
        self._folder.cleanup()

    # the machine from outside

    def qmp(self, command: str, **arguments: Any) -> Any:
        """Carry out a command of the machine protocol: `stop`, `cont`, `system_reset`, ... ; its result.

        Raises:
            AssertionError: the emulator refused it.
        """
        if self._qmp is None:
            self._qmp = self._connect("qmp")
            self._qmp_reply("QMP")
            self.qmp("qmp_capabilities")
        request = {"execute": command} | ({"arguments": arguments} if arguments else {})
        self._qmp.sendall(json.dumps(request).encode() + b"\n")
        return self._qmp_reply("return")

    def _qmp_reply(self, wanted: str) -> Any:
        assert self._qmp is not None
        while True:
            while b"\n" not in self._lines:
                piece = self._qmp.recv(65536)
                assert piece, f"{QEMU} closed its QMP socket: {self.errors()}"
                self._lines += piece
            line, self._lines = self._lines.split(b"\n", 1)
            answer = json.loads(line)
            assert "error" not in answer, answer
            if wanted in answer:
                return answer[wanted]

    def debugger(self) -> Gdb:
        """Stop the processor and look at it; it goes on when the `with` ends."""
        return Gdb(self._connect("gdb"))

    def _connect(self, name: str) -> socket.socket:
        """A connection to one of the emulator's sockets, which it may be about to make."""
        made: list[socket.socket] = []

        def connected() -> bool:
            found = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            found.settimeout(REPLY_S_MAX)
            try:
                found.connect(self._socket_path(name))
            except OSError:
                found.close()
                assert self.runs, f"{QEMU} ended: {self.errors()}"
                return False
            made.append(found)
            return True

        wait(connected, lambda: f"{QEMU} does not listen on its {name} socket", START_S_MAX)
        return made[0]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
