"""Ports on real descriptors: ptys and sockets of this machine, no device needed."""

import asyncio
import contextlib
import os
import pty
import socket
import termios
import tty
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from typing_extensions import override

from nightturn.bench.worlds import RealClock
from nightturn.errors import PortError
from nightturn.transport import tcp_port
from nightturn.transport.descriptor import READ_BYTES, WRITE_BACKLOG_MAX, DescriptorPump
from nightturn.transport.port import Port
from nightturn.transport.pty_line import UNREAD_NS_MAX, WAITING_BYTES_MAX, PtyLine
from nightturn.transport.serial_port import SerialPort, not_raw
from nightturn.transport.tcp_port import TcpPort

EVERY_BYTE = bytes(range(256))
LOOP_TURNS = 50  # a second telling would have come by then


class Ears:
    """What came and what was lost."""

    def __init__(self) -> None:
        self.heard = b""
        self.stamps: list[int] = []
        self.reads: list[bytes] = []
        self.lost: list[str] = []

    def on_bytes(self, stamp_ns: int, content: bytes) -> None:
        self.stamps.append(stamp_ns)
        self.reads.append(content)
        self.heard += content

    def on_lost(self, reason: str) -> None:
        self.lost.append(reason)

    def open(self, port: Port) -> Port:
        port.open(self.on_bytes, self.on_lost)
        return port


def descriptors_open() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def until(condition: Callable[[], bool], what: str = "it did not come about") -> None:
    for _ in range(2000):
        if condition():
            return
        await asyncio.sleep(0.002)
    raise AssertionError(what)


def play(act: Callable[[], Awaitable[None]]) -> None:
    async def played() -> None:
        await act()

    asyncio.run(played())


def test_every_byte_passes_both_ways_between_a_pty_line_and_a_serial_port(tmp_path: Path) -> None:
    async def act() -> None:
        device, host = Ears(), Ears()
        line = device.open(PtyLine(tmp_path / "pan.line", RealClock()))
        port = host.open(SerialPort(str(tmp_path / "pan.line"), RealClock()))
        port.write(EVERY_BYTE * 4)
        await until(lambda: device.heard == EVERY_BYTE * 4)
        line.write(EVERY_BYTE * 4)
        await until(lambda: host.heard == EVERY_BYTE * 4)
        assert host.stamps == sorted(host.stamps)
        port.close()
        line.close()
        assert host.lost == device.lost == []

    play(act)


def test_a_second_opener_is_told_that_the_port_is_busy(tmp_path: Path) -> None:
    async def act() -> None:
        line = Ears().open(PtyLine(tmp_path / "pan.line", RealClock()))
        port = Ears().open(SerialPort(str(tmp_path / "pan.line"), RealClock()))
        with pytest.raises(PortError, match="the port is busy: another program holds it; close that program"):
            Ears().open(SerialPort(str(tmp_path / "pan.line"), RealClock()))
        port.close()
        Ears().open(SerialPort(str(tmp_path / "pan.line"), RealClock())).close()
        line.close()

    play(act)


def test_an_absent_port_says_how_to_list_them(tmp_path: Path) -> None:
    async def act() -> None:
        with pytest.raises(PortError, match="there is no such port; plug the device in, or list the ports"):
            Ears().open(SerialPort(str(tmp_path / "nothing"), RealClock()))
        dangling = tmp_path / "dangling"
        dangling.symlink_to(tmp_path / "gone")
        with pytest.raises(PortError, match="there is no such port"):
            Ears().open(SerialPort(str(dangling), RealClock()))

    play(act)


def test_a_forbidden_port_says_which_group_helps(monkeypatch: pytest.MonkeyPatch) -> None:
    # root may open anything, so the system's answer is put in its place
    def forbidden(*_args: object, **_keywords: object) -> object:
        raise PermissionError(13, "Permission denied")

    async def act() -> None:
        monkeypatch.setattr("serial.Serial", forbidden)
        with pytest.raises(PortError, match="no permission; add your user to the group"):
            Ears().open(SerialPort("/dev/null", RealClock()))

    play(act)


def test_a_port_that_is_no_line_is_refused(tmp_path: Path) -> None:
    async def act() -> None:
        (tmp_path / "file").write_bytes(b"x")
        with pytest.raises(PortError, match="cannot be opened"):
            Ears().open(SerialPort(str(tmp_path / "file"), RealClock()))

    play(act)


@pytest.mark.parametrize(
    ("place", "name"), [(0, "IXON"), (0, "ICRNL"), (0, "PARMRK"), (1, "OPOST"), (3, "ICANON"), (3, "ECHO")]
)
def test_a_line_that_would_alter_bytes_is_found_out(place: int, name: str) -> None:
    master, slave = pty.openpty()
    try:
        tty.setraw(slave)
        assert not_raw(slave) == ""
        attributes = termios.tcgetattr(slave)
        attributes[place] |= getattr(termios, name)
        termios.tcsetattr(slave, termios.TCSANOW, attributes)
        assert not_raw(slave) == name
    finally:
        os.close(master)
        os.close(slave)


def test_unplugging_is_told_once(tmp_path: Path) -> None:
    async def act() -> None:
        host = Ears()
        line = Ears().open(PtyLine(tmp_path / "pan.line", RealClock()))
        port = host.open(SerialPort(str(tmp_path / "pan.line"), RealClock()))
        line.close()
        await until(lambda: bool(host.lost))
        port.write(b"into the void")
        for _ in range(LOOP_TURNS):
            await asyncio.sleep(0)
        assert len(host.lost) == 1
        port.close()
        assert not (tmp_path / "pan.line").is_symlink()

    play(act)


def test_a_link_is_replaced_by_the_newest_line_and_only_its_own_is_removed(tmp_path: Path) -> None:
    async def act() -> None:
        link = tmp_path / "deep" / "pan.line"
        first = Ears().open(PtyLine(link, RealClock()))
        before = link.readlink()
        second = Ears().open(PtyLine(link, RealClock()))
        assert link.readlink() != before
        first.close()
        assert link.is_symlink()
        second.close()
        assert not link.is_symlink()
        assert list(link.parent.iterdir()) == []

    play(act)


def test_a_file_in_the_place_of_the_link_is_left_alone(tmp_path: Path) -> None:
    async def act() -> None:
        (tmp_path / "notes").write_text("keep me")
        descriptors = descriptors_open()
        with pytest.raises(PortError, match="a file that is not a link has this name"):
            Ears().open(PtyLine(tmp_path / "notes", RealClock()))
        with pytest.raises(PortError, match="the link cannot be made"):
            Ears().open(PtyLine(tmp_path / "notes" / "pan.line", RealClock()))
        assert (tmp_path / "notes").read_text() == "keep me"
        assert descriptors_open() == descriptors

    play(act)


def test_a_pty_line_does_not_wait_for_an_absent_or_slow_reader(tmp_path: Path) -> None:
    async def act() -> None:
        device, host = Ears(), Ears()
        line = device.open(PtyLine(tmp_path / "pan.line", RealClock()))
        for _ in range(2000):
            line.write(b"x" * 100)  # nobody reads: what does not fit is gone, as from a full device
        port = host.open(SerialPort(str(tmp_path / "pan.line"), RealClock()))

        def fresh_came() -> bool:
            line.write(b"fresh")  # gone like the rest until the reader has made room
            return b"fresh" in host.heard

        await until(fresh_came)
        assert host.heard.count(b"x") < 200_000
        port.close()
        line.close()
        line.write(b"after the end")

    play(act)


class SetClock(RealClock):
    """Stands still until it is set."""

    now_ns = 1

    @override
    def monotonic_ns(self) -> int:
        return self.now_ns


@pytest.mark.parametrize("away_ns", [UNREAD_NS_MAX, UNREAD_NS_MAX + 1])
def test_a_pty_line_holds_a_second_of_samples_for_a_host_that_stands_still_and_nothing_for_one_that_is_gone(
    tmp_path: Path, away_ns: int
) -> None:
    async def act() -> None:
        clock, host = SetClock(), Ears()
        line = Ears().open(PtyLine(tmp_path / "pan.line", clock))
        port = host.open(SerialPort(str(tmp_path / "pan.line"), RealClock()))
        blocks = [bytes([number]) * 570 for number in range(100)]  # a second at 10 kS/s
        for block in blocks:
            line.write(block)
        clock.now_ns += away_ns
        line.write(b"last")
        kept = b"".join(blocks)
        if away_ns <= UNREAD_NS_MAX:
            await until(lambda: host.heard == kept + b"last")
        else:
            await until(lambda: host.heard.endswith(b"last") or len(host.heard) > 4096)
            for _ in range(LOOP_TURNS):
                await asyncio.sleep(0)
            assert kept.startswith(host.heard.removesuffix(b"last"))
            assert len(host.heard) < len(kept) - WAITING_BYTES_MAX // 2
            line.write(b"fresh")
            await until(lambda: host.heard.endswith(b"fresh"))
        assert set(map(len, host.reads)) <= set(range(1, READ_BYTES + 1))
        port.close()
        line.close()

    play(act)


def test_what_does_not_fit_waits_in_order_and_nobody_reading_is_a_lost_line() -> None:
    async def act() -> None:
        ours, theirs = socket.socketpair()
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        host = Ears()
        pump = DescriptorPump(ours.fileno(), RealClock(), host.on_bytes, host.on_lost)
        content = os.urandom(48 * 1024)
        pump.write(content[:1000])
        pump.write(content[1000:])
        theirs.settimeout(0)
        got = bytearray()

        def all_came() -> bool:
            with contextlib.suppress(BlockingIOError):
                got.extend(theirs.recv(65536))
            return len(got) >= len(content)

        await until(all_came)
        assert got == content
        for _ in range(WRITE_BACKLOG_MAX // 4096 + 20):
            pump.write(b"y" * 4096)
        assert host.lost == [host.lost[0]]
        assert host.lost[0].startswith("the device does not read")
        pump.write(b"ignored")
        pump.close()
        ours.close()
        theirs.close()

    play(act)


def test_tcp_carries_bytes_both_ways_and_tells_when_the_bridge_goes() -> None:
    async def act() -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        host = Ears()
        port = host.open(TcpPort("127.0.0.1", listener.getsockname()[1], RealClock()))
        bridge, _ = listener.accept()
        port.write(EVERY_BYTE)
        assert bridge.recv(4096) == EVERY_BYTE
        bridge.sendall(EVERY_BYTE)
        await until(lambda: host.heard == EVERY_BYTE)
        bridge.close()
        await until(lambda: host.lost == ["the line was closed"])
        port.close()
        listener.close()

    play(act)


def test_tcp_without_a_listener_says_so_at_once() -> None:
    async def act() -> None:
        with socket.socket() as unused:
            unused.bind(("127.0.0.1", 0))
            port = TcpPort("127.0.0.1", unused.getsockname()[1], RealClock())
            with pytest.raises(PortError, match="Connection refused; check that the device's bridge runs"):
                Ears().open(port)
            port.close()

    play(act)


def test_a_bridge_that_never_answers_does_not_hold_the_loop_up(monkeypatch: pytest.MonkeyPatch) -> None:
    # a listener whose queue is full leaves the next connect without an answer, as an address out of reach does
    monkeypatch.setattr(tcp_port, "CONNECT_S_MAX", 0.1)

    async def act() -> None:
        listener = socket.socket()
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        crowd = []
        for _ in range(3):
            one = socket.socket()
            one.settimeout(0)
            one.connect_ex(listener.getsockname())
            crowd.append(one)
        host = Ears()
        port = host.open(TcpPort("127.0.0.1", listener.getsockname()[1], RealClock()))
        port.write(b"too early")
        assert host.lost == []
        await until(lambda: bool(host.lost))
        assert "Connection timed out" in host.lost[0]
        port.close()
        for one in (*crowd, listener):
            one.close()

    play(act)


def test_a_bridge_that_answers_late_is_connected_on_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp_port, "AT_ONCE_S", 0.0)

    async def act() -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        host = Ears()
        port = TcpPort("127.0.0.1", listener.getsockname()[1], RealClock())
        host.open(port)
        bridge, _ = listener.accept()
        bridge.sendall(b"hello")
        await until(lambda: host.heard == b"hello")
        port.close()
        port.close()
        bridge.close()
        listener.close()

    play(act)


def test_a_name_that_cannot_be_resolved_is_a_sentence() -> None:
    async def act() -> None:
        with pytest.raises(PortError, match="check the name"):
            Ears().open(TcpPort("bridge.invalid", 7001, RealClock()))

    play(act)
