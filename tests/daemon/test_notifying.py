"""Word of alarms leaves by real sockets of this machine: a signed webhook that is tried again, mail, and apprise."""

import asyncio
import json
import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import ClassVar

import msgspec
import pytest
from tests.simulation.scene import START_UTC_NS, run
from typing_extensions import override

from nightturn.alarms.words import Acknowledge
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import virtual_world
from nightturn.daemon.channels import NUMBER, SIGNATURE, TIMESTAMP, signature
from nightturn.daemon.notifying import PASSWORD, SECRET, Notifier, notifier_of
from nightturn.errors import ConfigError
from nightturn.settings.rig import BenchPart, NotifyPart, Rig

KEY = {SECRET: "a secret of this test", PASSWORD: ""}


class Hook(BaseHTTPRequestHandler):
    """Takes what is posted; refuses the first so many times."""

    got: ClassVar[list[tuple[dict[str, str], bytes]]] = []
    refuses = 0

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        type(self).got.append((dict(self.headers), body))
        self.send_response(503 if len(self.got) <= self.refuses else 204)
        self.end_headers()

    @override
    def log_message(self, *_: object) -> None:
        pass


class Post(socketserver.StreamRequestHandler):
    """As much of an SMTP server as one client needs (RFC 5321)."""

    letters: ClassVar[list[str]] = []

    @override
    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        while line := self.rfile.readline():
            word = line.split()[0].upper()
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                text = b""
                while (line := self.rfile.readline()) != b".\r\n":
                    text += line
                self.letters.append(text.decode())
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")
            if word == b"QUIT":
                return


@contextmanager
def listening(server: socketserver.BaseServer) -> Iterator[int]:
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]  # type: ignore[misc, index]  # of a socket in the internet's family
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def rig_of(**notify: object) -> Rig:
    return Rig(
        schema=1, bench=BenchPart(lab="quillfen"), fixture=(), notify=msgspec.convert(notify, NotifyPart)
    )


class Story:
    def __init__(self, root: Path, **notify: object) -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self.world = virtual_world(root, loop, START_UTC_NS)
        self.desk = AlarmDesk(self.world, ["pan-a1"], "boot")
        self.rig = rig_of(**notify)
        self.notifier = self.started()

    def started(self) -> Notifier:
        notifier = notifier_of(self.rig, self.world, UTC, "bench-1", KEY)
        assert notifier is not None
        return notifier

    async def passes(self, seconds: float) -> None:
        for _ in range(round(seconds)):
            self.desk.tick()
            await self.desk.keep()
            await self.notifier.look(self.desk)
            await asyncio.sleep(1.0)


def test_a_webhook_is_signed_tried_again_under_the_same_id_and_sent_once(tmp_path: Path) -> None:
    Hook.got, Hook.refuses = [], 4

    async def act(port: int) -> None:
        story = Story(tmp_path, webhook=f"http://127.0.0.1:{port}/alarms")
        story.desk.host("disk_short", there=True, said="less than 1 GB is free")
        await story.passes(500)
        assert len(Hook.got) == 6  # four refused, the fifth taken, and word that it could not be sent
        assert len({head[NUMBER] for head, _ in Hook.got[:5]}) == 1
        for head, body in Hook.got:
            assert head[SIGNATURE] == signature(KEY[SECRET].encode(), head[TIMESTAMP], body)
            assert head[SIGNATURE] != signature(b"another secret", head[TIMESTAMP], body)
        said = json.loads(Hook.got[4][1])
        assert (said["kind"], said["lab"], said["alarms"][0]["id"]) == ("alarm", "quillfen", "disk_short")
        assert json.loads(Hook.got[5][1])["alarms"][0]["id"] == "notice_undelivered"
        story.notifier = story.started()  # the daemon starts again: nobody is sent the same twice
        await story.passes(60)
        assert len(Hook.got) == 6

    with listening(HTTPServer(("127.0.0.1", 0), Hook)) as port:
        run(lambda: act(port))


def test_mail_goes_to_those_on_duty_and_to_others_when_nobody_acknowledges(tmp_path: Path) -> None:
    Post.letters = []

    async def act(port: int) -> None:
        story = Story(
            tmp_path,
            smtp=f"smtp://127.0.0.1:{port}",
            mail_to=["duty@quillfen.example"],
            escalate_to=["lead@quillfen.example"],
            escalate_min=2,
        )
        story.desk.host("disk_short", there=True, said="less than 1 GB is free")
        await story.passes(100)
        (first,) = Post.letters
        assert "To: duty@quillfen.example" in first
        assert "Subject: quillfen: act now: host: the disk is short" in first
        await story.passes(60)
        assert "To: lead@quillfen.example" in Post.letters[1]
        assert story.desk.say(Acknowledge("host", "disk_short", "R. Vale")) == ""
        await story.passes(600)
        assert len(Post.letters) == 2

    with listening(socketserver.ThreadingTCPServer(("127.0.0.1", 0), Post)) as port:
        run(lambda: act(port))


OF_APPRISE = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")


@OF_APPRISE
def test_apprise_is_one_more_way(tmp_path: Path) -> None:
    Hook.got, Hook.refuses = [], 0

    async def act(port: int) -> None:
        story = Story(tmp_path, apprise=[f"json://127.0.0.1:{port}/"])
        story.desk.host("disk_short", there=True, said="less than 1 GB is free")
        await story.passes(15)
        (said,) = [json.loads(body) for _, body in Hook.got]
        assert said["title"] == "quillfen: act now: host: the disk is short"

    with listening(HTTPServer(("127.0.0.1", 0), Hook)) as port:
        run(lambda: act(port))


@OF_APPRISE
@pytest.mark.parametrize(
    ("notify", "where"),
    [
        ({"webhook": "file:///etc/hosts"}, "webhook"),
        ({"smtp": "http://here", "mail_to": ["a@b.example"]}, "smtp"),
        ({"apprise": ["nonsense"]}, "apprise"),
    ],
)
def test_an_address_that_cannot_be_used_is_named(
    tmp_path: Path, notify: dict[str, object], where: str
) -> None:
    async def act() -> None:
        with pytest.raises(ConfigError, match=where):
            Story(tmp_path, **notify)

    run(act)


def test_without_a_secret_nothing_is_posted_and_the_rig_file_holds_none() -> None:
    with pytest.raises(ConfigError, match=SECRET):
        notifier_of(rig_of(webhook="https://hook.example/x"), None, UTC, "h", {})  # type: ignore[arg-type]  # no world is needed
    assert "password" not in NotifyPart.__struct_fields__
