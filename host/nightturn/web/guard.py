"""What is asked of every request before a page sees it, and what every answer carries.

A name that is not ours in Host is how a foreign page reaches a loopback address by its own name (DNS rebinding); an Origin that is not
ours is how it makes a browser act here (cross-site requests). Both are refused. The headers follow the W3C's Content Security Policy
Level 3 and the Fetch standard.
"""

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SAFE = frozenset({"GET", "HEAD"})
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",  # with none a browser hides the Origin of our own forms too
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
CLOSED_BY_RULE = 1008  # RFC 6455, 7.4.1: policy violation


class Guard:
    """Refuses what comes by another name or from another page, and adds the headers of a strict page."""

    def __init__(self, app: ASGIApp, names: Iterable[str]) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, or one socket."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        problem = self._problem(scope)
        if problem and scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": CLOSED_BY_RULE, "reason": problem})
            return
        app = PlainTextResponse(f"{problem}\n", 403) if problem else self._app

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        await app(scope, receive, with_headers)

    def _problem(self, scope: Scope) -> str:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if _name(host) not in self._names:
            return "this page is not served under that name"
        origin = headers.get("origin")
        acts = scope["type"] == "websocket" or scope["method"] not in SAFE
        if acts and (origin is None or origin.partition("://")[2].lower() != host.lower()):
            return "only this page's own forms and sockets may ask for that"
        return ""


def _name(host: str) -> str:
    """The name in a Host header, without its port."""
    if host.startswith("["):
        return host.partition("]")[0].removeprefix("[").lower()
    return host.partition(":")[0].lower()
