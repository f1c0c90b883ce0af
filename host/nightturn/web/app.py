"""The page as an ASGI application over a data root: what is asked for, and which answer it gets."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute

from nightturn.errors import NightturnError, RunNotFoundError
from nightturn.report.chosen import accepted_before, beside
from nightturn.report.document import document, file_name
from nightturn.storage.runs import RunSummary
from nightturn.web.alarm_list import host_alarms, of_fixture
from nightturn.web.api import Api
from nightturn.web.freshness import Words, answer
from nightturn.web.guard import Guard
from nightturn.web.heard import Heard
from nightturn.web.live_word import LiveWord, live_word
from nightturn.web.nights import Nights, etag_of, width_for
from nightturn.web.people import People
from nightturn.web.roster import Roster
from nightturn.web.run_page import NOBODY, Hands, idle_page, run_page
from nightturn.web.signing import Closed, Door, Signing
from nightturn.web.templates import TYPES, own_file
from nightturn.web.wall_page import clocks_text, wall_page

WIDTH_PX = 920
GZIP_BYTES_MIN = 1024
REPORT_POLICY = "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'"
"""A report is a file that needs nothing else: its style lies in it, so it is given as a file, never shown as a page of ours."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a page says of itself.

    Attributes:
        place: which data root it shows, in words.
        recording: whether somebody records there.
        now_ns: the wall clock, UTC.
    """

    place: str
    recording: Callable[[], bool]
    now_ns: Callable[[], int]

    @property
    def source(self) -> str:
        """Whether somebody records, in words."""
        return "recorded now" if self.recording() else "as recorded; nobody records here now"


class Page:
    """The answers; what reads files or draws is worked out in a thread."""

    def __init__(self, nights: Nights, facts: Facts, door: Door) -> None:
        self._nights = nights
        self._facts = facts
        self._door = door
        self.words = Words(self._worked_out, self._live, door.monotonic)

    async def wall(self, request: Request) -> Response:
        """All fixtures."""
        worst = request.query_params.get("order") == "worst"
        return await answer(request, lambda: self._wall(worst=worst), self._door.cookie)

    async def fixture(self, request: Request) -> Response:
        """A run of a fixture, the newest where none is named."""
        asked = request.query_params.get("w", "")
        width = width_for(int(asked) if asked.isdecimal() and len(asked) < 6 else WIDTH_PX)
        names = request.path_params
        hands = Hands(await self._door.person(request), self._door.act is not None)
        return await answer(
            request,
            lambda: self._fixture(names["fixture"], names.get("run", ""), width, hands),
            self._door.cookie,
        )

    async def report(self, request: Request) -> Response:
        """The report of a run as a file."""
        names = request.path_params

        def make() -> tuple[str, str]:
            runs = self._nights.runs()
            summary = _chosen(runs, names["fixture"], names["run"])
            night = self._nights.shown(summary, WIDTH_PX).night
            return document(night, beside(runs, summary), accepted_before(runs, summary)).html, file_name(
                night
            )

        try:
            text, name = await run_in_threadpool(make)
        except NightturnError as error:
            return PlainTextResponse(f"{error}\n", 404)
        headers = {
            "content-disposition": f'attachment; filename="{name}"',
            "content-security-policy": REPORT_POLICY,
        }
        return Response(text, media_type="text/html", headers=headers)

    def _worked_out(self, address: str) -> str:
        path, _, query = address.partition("?")
        parts = [each for each in path.split("/") if each]
        try:
            if not parts:
                return self._wall(worst="order=worst" in query)[0]
            if parts[0] == "fixture" and len(parts) in {2, 3}:
                return self._fixture(parts[1], parts[2] if len(parts) == 3 else "", WIDTH_PX)[0]
        except NightturnError:
            return ""
        return ""

    def _wall(self, *, worst: bool) -> tuple[str, Callable[[], str]]:
        glances = self._nights.wall()
        zones = dict.fromkeys(each.timezone for each in self._nights.runs())
        source, book = self._facts.source, self._nights.book()
        known = self._nights.hearing.fixtures if self._nights.hearing is not None else None
        hosts = host_alarms(book, next(iter(zones), "UTC"))
        etag = etag_of((glances, source, worst, hosts, book.problem))

        def make() -> str:
            return wall_page(
                glances,
                place=known.place if known is not None else self._facts.place,
                zones=list(zones),
                now_ns=self._facts.now_ns(),
                source=source,
                etag=etag,
                worst=worst,
                hosts=hosts,
                alarm_problem=book.problem,
            )

        return etag, make

    def _fixture(
        self, fixture: str, run: str, width_px: int, hands: Hands = NOBODY
    ) -> tuple[str, Callable[[], str]]:
        runs = self._nights.runs()
        if not run and not any(each.fixture == fixture for each in runs):
            return self._idle(fixture)
        summary = _chosen(runs, fixture, run)
        newest = _chosen(runs, fixture, "") is summary
        etag = self._etag(runs, summary)

        def make() -> str:
            return run_page(
                self._nights.shown(summary, width_px),
                self._nights.now(fixture, summary) if newest else self._nights.glance(summary),
                [each for each in runs if each.fixture == fixture],
                book=self._nights.book() if newest else None,
                hands=hands if newest else NOBODY,
                live=newest and self._heard(fixture) is not None,
                width_px=width_px,
                now_ns=self._facts.now_ns(),
                source=self._facts.source,
                etag=etag,
            )

        return etag, make

    def _etag(self, runs: list[RunSummary], summary: RunSummary) -> str:
        others = [each.run for each in runs if each.fixture == summary.fixture]
        now = self._nights.now(summary.fixture, summary) if others[0] == summary.run else None
        rows = of_fixture(self._nights.book(), summary.fixture) if now is not None else ()
        return etag_of((summary, now, rows, self._facts.source, others, self._nights.logbook_stamp()))

    def _idle(self, fixture: str) -> tuple[str, Callable[[], str]]:
        """A fixture of the daemon of which nothing is recorded yet.

        Raises:
            RunNotFoundError: no daemon has such a fixture either.
        """
        hearing = self._nights.hearing
        known = hearing.fixtures if hearing is not None else None
        if known is None or fixture not in known.names:
            raise RunNotFoundError("no such fixture is recorded here")
        glance, source = self._nights.now(fixture, None), self._facts.source
        etag = etag_of((glance, source))
        clock = clocks_text([known.timezone], self._facts.now_ns())
        return etag, lambda: idle_page(glance, clock=clock, source=source, etag=etag)

    def _heard(self, fixture: str) -> Heard | None:
        """What a daemon says of a fixture now; None where none does."""
        hearing = self._nights.hearing
        known = hearing.fixtures if hearing is not None else None
        return hearing.heard(fixture) if hearing is not None and known is not None else None

    def _live(self, address: str) -> LiveWord | None:
        """What a socket says of the fixture whose page is at an address; None where nobody says anything of now."""
        parts = [each for each in address.partition("?")[0].split("/") if each]
        if len(parts) not in {2, 3} or parts[0] != "fixture" or self._nights.hearing is None:
            return None
        heard, known = self._heard(parts[1]), self._nights.hearing.fixtures
        if heard is None or known is None:
            return None
        return live_word(heard, self._nights.hearing.traces(parts[1]), known.timezone)


def _chosen(runs: Iterable[RunSummary], fixture: str, run: str) -> RunSummary:
    for each in runs:
        if each.fixture == fixture and run in {"", each.run}:
            return each
    raise RunNotFoundError("no such run is recorded here")


async def own(request: Request) -> Response:
    """A file of ours."""
    name = request.path_params["name"]
    if name not in TYPES:
        return PlainTextResponse("no such file\n", 404)
    content = own_file(name)
    etag = etag_of((content,))
    headers = {"etag": etag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == etag:
        return Response(status_code=304, headers=headers)
    return Response(content, headers={**headers, "content-type": TYPES[name]})


def application(nights: Nights, facts: Facts, names: Iterable[str], door: Door | None = None) -> Starlette:
    """The page over a data root.

    Args:
        nights: what lies below it.
        facts: what the page says of itself.
        names: under which it may be asked.
        door: who may look and act; without one everybody looks and nobody acts.
    """
    door = door or Door(People(nights.root))
    pages = Page(nights, facts, door)
    routes = [
        Route("/", pages.wall),
        Route("/fixture/{fixture}", pages.fixture),
        Route("/fixture/{fixture}/{run}", pages.fixture),
        Route("/fixture/{fixture}/{run}/report", pages.report),
        Route("/own/{name}", own),
        WebSocketRoute("/word", pages.words.word),
        *Api(nights).routes,
        *Signing(door).routes,
        *Roster(door).routes,
    ]
    middleware = [
        Middleware(Guard, names=tuple(names)),
        Middleware(Closed, door=door),
        Middleware(GZipMiddleware, minimum_size=GZIP_BYTES_MIN),
    ]
    return Starlette(routes=routes, middleware=middleware)
