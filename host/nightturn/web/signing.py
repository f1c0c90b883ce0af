"""Signing in and out, a first password, and what an operator may have done from a page."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from nightturn.web.acting import AUDIT, MAY_ASK, REASON_LENGTH_MAX, Act, Wish
from nightturn.web.passwords import hashed, matches
from nightturn.web.people import IDLE_S, PASSWORD_LENGTH, People, Person
from nightturn.web.templates import page
from nightturn.web.tries import Tries

FORM_BYTES_MAX = 4096
COOKIE = "nightturn"
OPEN = ("/sign-in", "/own/")
"""What answers whoever is not signed in, where all else is closed."""
REFUSED = "That name and word do not belong together, or were revoked."


@dataclass(frozen=True, slots=True)
class Door:
    """Who may look and act.

    Attributes:
        people: who there is.
        closed: whether nobody sees anything unless signed in; so where others than this computer can ask.
        tls: whether cookies go over TLS only.
        act: asks the daemon; None where none is there to be asked.
        utc_ns, monotonic: clocks.
    """

    people: People
    closed: bool = False
    tls: bool = False
    act: Act | None = None
    utc_ns: Callable[[], int] = time.time_ns
    monotonic: Callable[[], float] = time.monotonic

    def now_s(self) -> float:
        """The wall clock, seconds since 1970 UTC."""
        return self.utc_ns() / 1e9

    @property
    def cookie(self) -> str:
        """The name of the session's cookie: over TLS one that no other host and no path may set (RFC 6265bis)."""
        return f"__Host-{COOKIE}" if self.tls else COOKIE

    async def person(self, request: Request) -> Person | None:
        """Who is signed in."""
        token = request.cookies.get(self.cookie, "")
        return await run_in_threadpool(self.people.person, token, self.now_s()) if token else None

    async def audit(self, word: str, name: str, said: str) -> None:
        """A line of the alarms' log, where a daemon keeps one; without one nobody can act either."""
        if self.act is not None:
            by = name if name.strip() and name.isprintable() else "nobody known"
            await run_in_threadpool(self.act, Wish(AUDIT, "", by[:80], word, said[:REASON_LENGTH_MAX]))


class Closed:
    """Lets nobody past who is not signed in, where the door is closed."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, or one socket."""
        if scope["type"] == "lifespan" or not self._door.closed or str(scope["path"]).startswith(OPEN):
            await self._app(scope, receive, send)
            return
        if await self._door.person(Request({**scope, "type": "http"})) is not None:
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": "sign in first"})
        elif scope["path"].startswith("/api/"):
            await Response('{"problem":"sign in first"}', 401, media_type="application/json")(
                scope, receive, send
            )
        else:
            await RedirectResponse("/sign-in", 303)(scope, receive, send)


class Signing:
    """The pages behind which a person is known."""

    def __init__(self, door: Door) -> None:
        self._door = door
        self._tries = Tries()

    @property
    def routes(self) -> list[Route]:
        """Where they are."""
        return [
            Route("/sign-in", self.ask, methods=["GET"]),
            Route("/sign-in", self.enter, methods=["POST"]),
            Route("/sign-out", self.leave, methods=["POST"]),
            Route("/act", self.act, methods=["POST"]),
        ]

    async def ask(self, _request: Request) -> Response:
        """The form."""
        return _form()

    async def enter(self, request: Request) -> Response:
        """A name with a password, or with a set-up code and a new password."""
        form = await fields_of(request)
        if form is None:
            return _form("The form was too long.", 413)
        name, word, fresh = (form.get(each, "") for each in ("name", "word", "fresh"))
        keys = (f"name {name}", f"from {request.client.host if request.client is not None else ''}")
        wait_s = self._tries.wait_s(keys, self._door.monotonic())
        if wait_s > 0:
            return _form(f"Too many tries; the next one counts in {round(wait_s) + 1} s.", 429)
        self._tries.failed(
            keys, self._door.monotonic()
        )  # until it is known to be none, for who asks meanwhile
        refusal = await run_in_threadpool(self._checked, name, word, fresh)
        if refusal:
            await self._door.audit("sign_in_refused", name, f"a try to sign in as {name!r} was refused")
            return _form(refusal, 403)
        self._tries.succeeded(keys)
        token = await run_in_threadpool(self._door.people.begin, name, self._door.now_s())
        await self._door.audit("signed_in", name, f"{name} signed in on the page")
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            self._door.cookie,
            token,
            max_age=IDLE_S,
            path="/",
            secure=self._door.tls,
            httponly=True,
            samesite="strict",
        )
        return answer

    def _checked(self, name: str, word: str, fresh: str) -> str:
        """Why a person is not let in; empty for one who is."""
        people = self._door.people
        if not fresh:
            return "" if matches(people.hash_of(name), word) else REFUSED
        if not PASSWORD_LENGTH[0] <= len(fresh) <= PASSWORD_LENGTH[1]:
            return f"A password has {PASSWORD_LENGTH[0]} to {PASSWORD_LENGTH[1]} characters."
        return "" if people.set_up(name, word.strip(), hashed(fresh), self._door.now_s()) else REFUSED

    async def leave(self, request: Request) -> Response:
        """The session is over, here and in the file."""
        token = request.cookies.get(self._door.cookie, "")
        person = await self._door.person(request)
        await run_in_threadpool(self._door.people.end, token)
        if person is not None:
            await self._door.audit("signed_out", person.name, f"{person.name} signed out of the page")
        answer = RedirectResponse("/", 303)
        answer.delete_cookie(
            self._door.cookie, path="/", secure=self._door.tls, httponly=True, samesite="strict"
        )
        return answer

    async def act(self, request: Request) -> Response:
        """Acknowledge, pause or stop, by who is signed in."""
        person, form = await self._door.person(request), await fields_of(request)
        if person is None or not person.may_act:
            return said_page("Only a signed-in operator may do that.", "", 403)
        if form is None or self._door.act is None:
            return said_page("No daemon can be asked from this page.", "", 409)
        command, fixture = form.get("command", ""), form.get("fixture", "")
        if command not in MAY_ASK:
            return said_page(
                "From this page an operator may acknowledge, pause and stop, nothing more.", "", 400
            )
        reason = form.get("reason", "")[:REASON_LENGTH_MAX]
        wish = Wish(
            command,
            fixture,
            person.name,
            form.get("alarm", ""),
            f"from the page; {reason}" if reason else "from the page",
        )
        outcome = await run_in_threadpool(self._door.act, wish)
        return said_page(outcome.said, fixture, 200 if outcome.ok else 409)


async def fields_of(request: Request) -> dict[str, str] | None:
    """The fields of a form; None of one that is too long."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > FORM_BYTES_MAX:
            return None
    try:
        found = parse_qs(body.decode("utf-8"), max_num_fields=10)
    except ValueError:
        return {}
    return {name: values[0] for name, values in found.items()}


def _form(problem: str = "", status: int = 200) -> Response:
    text = page("sign_in.html", problem=problem, least=PASSWORD_LENGTH[0], most=PASSWORD_LENGTH[1])
    return Response(text, status, media_type="text/html", headers={"cache-control": "no-store"})


def said_page(said: str, fixture: str, status: int) -> Response:
    """A sentence, and the way back to a fixture, or to the wall."""
    back = f"/fixture/{fixture}" if fixture.isascii() and fixture.replace("-", "").isalnum() else "/"
    text = page("said.html", said=said, back=back)
    return Response(text, status, media_type="text/html", headers={"cache-control": "no-store"})
