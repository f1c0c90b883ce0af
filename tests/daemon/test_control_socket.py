"""The control socket itself: who may open it, what it bears, and what a client makes of silence."""

import asyncio
import os
import socket
import stat
from collections.abc import Awaitable, Callable
from pathlib import Path

import msgspec
import pytest

from nightturn.bench.locks import own_root, us
from nightturn.daemon.control_client import NO_ANSWER, ask, new_request
from nightturn.daemon.control_protocol import LINE_BYTES_MAX, VERSION, Answer, Request, request_line
from nightturn.daemon.control_socket import CONNECTIONS_MAX, SUN_PATH_BYTES_MAX, ControlSocket, socket_path
from nightturn.errors import ConfigError, DeviceError, StorageError

ROOM = 4  # of the temp folder's own path nothing is known


async def echo(request: Request) -> Answer:
    return Answer(VERSION, request.id, ok=True, state=f"{request.command} {request.fixture}")


def served(
    path: Path,
    work: Callable[[], Awaitable[None]],
    *,
    group: str | None = None,
    handler: Callable[[Request], Awaitable[Answer]] = echo,
) -> None:
    async def act() -> None:
        control = ControlSocket(path, group, handler)
        await control.open()
        try:
            await work()
        finally:
            await control.close()

    asyncio.run(act())


async def said(path: Path, content: bytes) -> list[Answer]:
    """Everything that is answered until the daemon closes or has answered all."""
    reader, writer = await asyncio.open_unix_connection(path)
    writer.write(content)
    writer.write_eof()
    lines = (await reader.read()).splitlines()
    writer.close()
    return [msgspec.json.decode(line, type=Answer) for line in lines]


def test_only_its_owner_may_open_it_and_it_is_gone_afterwards(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"

    async def work() -> None:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600

    before = os.umask(0)
    try:
        served(path, work)
    finally:
        os.umask(before)
    assert not path.exists()


def test_a_group_may_open_it_when_the_rig_file_says_so(tmp_path: Path) -> None:
    import grp

    path, group = tmp_path / "control.sock", grp.getgrgid(os.getgid()).gr_name

    async def work() -> None:
        assert stat.S_IMODE(path.stat().st_mode) == 0o660
        assert path.stat().st_gid == os.getgid()

    served(path, work, group=group)


def test_a_group_that_does_not_exist_is_a_mistake_in_the_rig_file(tmp_path: Path) -> None:
    async def nothing() -> None: ...

    with pytest.raises(ConfigError, match="control_group: no group 'no such group'"):
        served(tmp_path / "control.sock", nothing, group="no such group")
    assert list(tmp_path.iterdir()) == []


def test_a_dead_daemons_socket_is_replaced_and_anything_else_is_not(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(path))
    left.close()

    async def work() -> None:
        assert (await said(path, request_line(new_request("status", "pan-a1"))))[0].ok

    served(path, work)
    path.write_text("not a socket")
    with pytest.raises(StorageError, match=r"control\.sock: no socket can be made there"):
        served(path, work)
    assert path.read_text() == "not a socket"


def test_several_requests_come_one_after_the_other_and_a_bad_one_harms_no_other(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"

    async def work() -> None:
        good = request_line(new_request("status", "pan-a1"))
        answers = await said(path, good + b"nonsense\n" + good)
        assert [answer.ok for answer in answers] == [True, False, True]
        assert "not a request" in answers[1].problem

    served(path, work)


def test_a_line_that_does_not_end_is_refused_and_the_next_client_is_served(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"

    async def work() -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        writer.write(b"x" * (LINE_BYTES_MAX + 1))
        answer = msgspec.json.decode(await reader.readline(), type=Answer)
        assert not answer.ok
        assert str(LINE_BYTES_MAX) in answer.problem
        writer.close()
        assert (await said(path, request_line(new_request("status", "pan-a1"))))[0].ok

    served(path, work)


def test_whoever_wants_to_stop_gets_through_however_many_hold_a_connection(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"

    async def work() -> None:
        idle = [await asyncio.open_unix_connection(path) for _ in range(CONNECTIONS_MAX + ROOM)]
        answers = await said(path, request_line(new_request("stop", "pan-a1", "R. Vale")))
        assert [answer.state for answer in answers] == ["stop pan-a1"]
        assert await idle[0][0].read() == b""  # the oldest made room
        for _, writer in idle:
            writer.close()

    served(path, work)


def test_a_fault_of_the_daemon_is_an_answer(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"

    async def broken(_request: Request) -> Answer:
        raise ZeroDivisionError

    async def work() -> None:
        (answer,) = await said(path, request_line(new_request("status", "pan-a1")))
        assert not answer.ok
        assert "ZeroDivisionError" in answer.problem

    served(path, work, handler=broken)


def test_a_path_too_long_for_a_socket_goes_to_the_runtime_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runtime = tmp_path / "r"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    assert socket_path(tmp_path) == tmp_path.resolve() / "control.sock"
    root = tmp_path / ("n" * SUN_PATH_BYTES_MAX)
    other = tmp_path / ("m" * SUN_PATH_BYTES_MAX)
    assert socket_path(root).parent == runtime / "nightturn"
    assert socket_path(root) != socket_path(other)


# the client


def test_without_a_daemon_the_client_says_so(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="no daemon runs on this data root"):
        ask(tmp_path, new_request("status"))


def test_a_dead_daemon_and_one_elsewhere_are_named(tmp_path: Path) -> None:
    owned = own_root(tmp_path, "nightturn serve")
    holder = us("nightturn serve", str(tmp_path / "control.sock"))
    owned.note(holder)
    with pytest.raises(DeviceError, match=r"has ended, or was killed.*emergency stop"):
        ask(tmp_path, new_request("status"))
    owned.note(msgspec.structs.replace(holder, host="far-away"))
    with pytest.raises(DeviceError, match="far-away: ask there"):
        ask(tmp_path, new_request("status"))
    owned.release()


@pytest.mark.parametrize("listening", [True, False])
def test_a_daemon_that_does_not_answer_is_a_case_for_the_emergency_stop(
    tmp_path: Path, listening: bool
) -> None:
    owned = own_root(tmp_path, "nightturn serve")
    owned.note(us("nightturn serve", str(tmp_path / "control.sock")))
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(tmp_path / "control.sock"))
        if listening:
            deaf.listen()
        with pytest.raises(DeviceError, match="use the emergency stop") as raised:
            ask(tmp_path, new_request("stop", "pan-a1", "R. Vale"), limit_s=0.05)
    assert (str(raised.value) == NO_ANSWER) is listening
    owned.release()
