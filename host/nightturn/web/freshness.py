"""How a browser keeps a page as new as its server: a word a second which version is the newest, and an answer only where it has another."""

import asyncio
import contextlib
import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.websockets import WebSocket, WebSocketDisconnect

from nightturn.errors import NightturnError, RunNotFoundError
from nightturn.web.live_word import LiveWord

LOOK_S = 1.0
"""Between two words to a viewer, and two looks at what is shown, while somebody watches."""
VIEWERS_MAX = 256
NO_PLACE = 1013  # IANA's registry of close codes: try again later
SEND_S_MAX = 10.0
"""A viewer that takes nothing for so long is let go."""

Found = tuple[str, Callable[[], str]]
"""The version of a page, and what makes it."""


class Words:
    """Says to every viewer which version of its page is the newest."""

    def __init__(
        self,
        worked_out: Callable[[str], str],
        live: Callable[[str], LiveWord | None],
        monotonic: Callable[[], float],
    ) -> None:
        """Args: the version of the page at an address, empty where it cannot be said; what is shown of now there; the clock."""
        self._worked_out, self._live, self._monotonic = worked_out, live, monotonic
        self._viewers = 0
        self._newest: OrderedDict[str, tuple[float, str]] = OrderedDict()
        self._looking = threading.Lock()

    async def word(self, socket: WebSocket) -> None:
        """Says once a second which version of a page is the newest; who does not read costs a socket and is let go."""
        if self._viewers >= VIEWERS_MAX:
            await socket.close(NO_PLACE, "too many viewers")
            return
        await socket.accept()
        self._viewers += 1
        leaving = asyncio.create_task(_left(socket))
        try:
            await self._keep_saying(socket, leaving)
        finally:
            self._viewers -= 1
            leaving.cancel()

    async def _keep_saying(self, socket: WebSocket, leaving: "asyncio.Task[None]") -> None:
        of = socket.query_params.get("of", "/")
        with contextlib.suppress(WebSocketDisconnect, RuntimeError, TimeoutError, OSError):
            while not leaving.done():
                etag = await run_in_threadpool(self._etag_of, of)
                async with asyncio.timeout(SEND_S_MAX):
                    await socket.send_text(
                        msgspec.json.encode({"etag": etag, "live": self._live(of)}).decode()
                    )
                await asyncio.wait({leaving}, timeout=LOOK_S)

    def _etag_of(self, address: str) -> str:
        """The version of the page at an address, worked out once a second for all who look at it; empty where it cannot be said."""
        with self._looking:
            at_s, etag = self._newest.get(address, (float("-inf"), ""))
            if self._monotonic() - at_s >= LOOK_S * 0.9:
                etag = self._worked_out(address)
                self._newest[address] = (self._monotonic(), etag)
                self._newest.move_to_end(address)
                while len(self._newest) > VIEWERS_MAX:
                    self._newest.popitem(last=False)
        return etag


async def answer(request: Request, find: Callable[[], Found], cookie: str = "") -> Response:
    """A page, or that it is still as the browser has it; `cookie` is the name of the one by which pages differ."""

    def make() -> tuple[str, str]:
        etag, text = find()
        who = hashlib.sha256(request.cookies.get(cookie, "").encode()).hexdigest()[:8]
        weak = f'W/{etag[:-1]}-{request.query_params.get("w", "")[:5]}-{who}"'
        return weak, "" if request.headers.get("if-none-match") == weak else text()

    try:
        etag, text = await run_in_threadpool(make)
    except RunNotFoundError as error:
        return PlainTextResponse(f"{error}\n", 404)
    except NightturnError as error:
        return PlainTextResponse(f"{error}\n", 503)
    headers = {"etag": etag, "cache-control": "no-cache", "vary": "cookie"}
    if not text:
        return Response(status_code=304, headers=headers)
    return Response(text, media_type="text/html", headers=headers)


async def _left(socket: WebSocket) -> None:
    """Ends when the viewer does; what it says is not listened to."""
    with contextlib.suppress(WebSocketDisconnect, RuntimeError):
        while True:
            await socket.receive_text()
