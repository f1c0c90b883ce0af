"""The debugger's side of an emulated processor: registers and memory, by GDB's remote serial protocol.

The protocol as in appendix E of "Debugging with GDB".
"""

import socket
from types import TracebackType
from typing import Self

REPLY_BYTES_MAX = 1 << 20
MEMORY_BYTES_MAX = 1024  # in one packet
REGISTERS = {**{f"r{n}": n for n in range(13)}, "sp": 13, "lr": 14, "pc": 15, "xpsr": 25}
STOPPED = b"T"
_END_BYTES = 3  # "#" and the sum


class Gdb:
    """A stopped processor; it goes on when this is closed."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._held = b""
        self.ask("?")
        self.ask("qXfer:features:read:target.xml:0,1000")  # single registers are for who has read this

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the processor go on."""
        self.ask("D")
        self._line.close()

    def ask(self, request: str) -> str:
        """Send a packet; the answer."""
        payload = request.encode("latin-1")
        self._line.sendall(b"$" + payload + b"#%02x" % (sum(payload) % 256))
        answer = self._packet()
        while answer[:1] == STOPPED and request != "?":
            answer = self._packet()  # the emulator also says by itself that it has stopped
        return answer.decode("latin-1")

    def _packet(self) -> bytes:
        while True:
            start, end = self._held.find(b"$"), self._held.find(b"#")
            if start >= 0 and end >= 0 and len(self._held) >= end + _END_BYTES:
                answer = self._held[start + 1 : end]
                self._held = self._held[end + _END_BYTES :]
                self._line.sendall(b"+")
                return answer
            piece = self._line.recv(65536)
            assert piece, "the emulator closed the debugger's line"
            self._held += piece
            assert len(self._held) < REPLY_BYTES_MAX

    def register(self, name: str) -> int:
        """A register's value."""
        return int.from_bytes(bytes.fromhex(self.ask(f"p{REGISTERS[name]:x}")), "little")

    def set_register(self, name: str, value: int) -> None:
        """Change a register.

        Raises:
            AssertionError: the emulator refused it.
        """
        answer = self.ask(f"P{REGISTERS[name]:x}={value.to_bytes(4, 'little').hex()}")
        assert answer == "OK", f"{name}: {answer}"

    def read(self, address: int, length: int) -> bytes:
        """Memory.

        Raises:
            AssertionError: there is none at that address.
        """
        found = b""
        while len(found) < length:
            size = min(length - len(found), MEMORY_BYTES_MAX)
            answer = self.ask(f"m{address + len(found):x},{size:x}")
            assert not answer.startswith("E"), f"{address + len(found):#x}: {answer}"
            found += bytes.fromhex(answer)
        return found

    def write(self, address: int, content: bytes) -> None:
        """Change memory.

        Raises:
            AssertionError: there is none at that address.
        """
        for at in range(0, len(content), MEMORY_BYTES_MAX):
            piece = content[at : at + MEMORY_BYTES_MAX]
            answer = self.ask(f"M{address + at:x},{len(piece):x}:{piece.hex()}")
            assert answer == "OK", f"{address + at:#x}: {answer}"
