"""The server in front of connections that ask nothing, or ask and never read."""

import socket
import threading
from collections.abc import Iterator

import httpx
import pytest
import uvicorn
from tests.waiting import wait
from tests.web.conftest import NOW_NS

from nightturn.web.app import Facts, application
from nightturn.web.freshness import VIEWERS_MAX
from nightturn.web.listening import address_of, listening_socket
from nightturn.web.nights import Nights
from nightturn.web.patience import PatientProtocol

UPGRADE = (
    "GET /word?of=/ HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n\r\n"
)  # the key is that of RFC 6455, 1.3
MANY = 400


class Impatient(PatientProtocol):
    patience_s = 0.2


@pytest.fixture(scope="module")
def port(nights: Nights) -> Iterator[int]:
    listener = listening_socket(address_of("127.0.0.1:0"))
    app = application(nights, Facts("nights", lambda: False, lambda: NOW_NS), ("127.0.0.1",))
    config = uvicorn.Config(
        app,
        log_config=None,
        lifespan="off",
        http=Impatient,
        ws="websockets-sansio",
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    wait(lambda: server.started, lambda: "the page does not answer")
    yield listener.getsockname()[1]
    server.should_exit = True
    thread.join()


def connected(port: int, said: str) -> socket.socket:
    made = socket.create_connection(("127.0.0.1", port), timeout=20)
    made.sendall(said.encode())
    return made


@pytest.mark.parametrize("said", ["", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow"])
def test_a_connection_that_asks_nothing_in_time_is_closed(port: int, said: str) -> None:
    many = [connected(port, said) for _ in range(MANY)]

    assert httpx.get(f"http://127.0.0.1:{port}/").status_code == 200
    assert {each.recv(1) for each in many} == {b""}
    for each in many:
        each.close()


def test_sockets_that_never_read_are_so_many_and_no_more_and_the_page_answers(port: int) -> None:
    host = f"127.0.0.1:{port}"
    many = [connected(port, UPGRADE.format(host=host)) for _ in range(MANY)]

    taken = [each.recv(12) == b"HTTP/1.1 101" for each in many]
    assert sum(taken) == VIEWERS_MAX
    assert httpx.get(f"http://{host}/").status_code == 200
    for each in many:
        each.close()


def test_an_open_socket_of_the_page_is_kept(port: int) -> None:
    made = connected(port, UPGRADE.format(host=f"127.0.0.1:{port}"))

    assert made.recv(12) == b"HTTP/1.1 101"
    seen = b""
    while seen.count(b"etag") < 2:  # the second word comes when patience is long over
        seen += made.recv(4096)
    made.close()
