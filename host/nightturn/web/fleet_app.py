"""The page of many hosts as an ASGI application: what their brokers retain, and nothing of any disk. Nothing can be done from it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute

from nightturn.errors import NightturnError, RunNotFoundError
from nightturn.storage.zones import zone_of
from nightturn.telemetry.fleet import FixtureHeard, Fleet
from nightturn.web.alarm_list import AlarmLine, lines_of
from nightturn.web.app import GZIP_BYTES_MIN, own
from nightturn.web.fleet_glance import ends_text, fleet_glance, limit_rows
from nightturn.web.freshness import Found, Words, answer
from nightturn.web.guard import Guard
from nightturn.web.nights import etag_of
from nightturn.web.templates import page
from nightturn.web.wall_page import clocks_text, wall_page

UNHEARD = "Nothing has been heard of any fixture."
NOT_HERE = (
    "one turn",
    "change maps",
    "orders",
    "friction against temperature",
    "logbook",
    "report",
    "replay",
)
"""What is made of samples or files, which MQTT does not carry."""


@dataclass(frozen=True, slots=True)
class FleetFacts:
    """What the page says of itself.

    Attributes:
        broker: its address without a password. connected: whether it answers.
        timezone: whose clocks are shown, an IANA name.
        now_ns: the wall clock, UTC. monotonic: the other one.
    """

    broker: str
    connected: Callable[[], bool]
    timezone: str
    now_ns: Callable[[], int]
    monotonic: Callable[[], float]

    @property
    def source(self) -> str:
        """Whether a broker answers, in words."""
        return "heard from the broker now" if self.connected() else "no broker answers; what is below is old"


class FleetPage:
    """The answers."""

    def __init__(self, fleet: Fleet, facts: FleetFacts) -> None:
        """Raises: ConfigError: no such time zone."""
        self._fleet, self._facts = fleet, facts
        self._zone = zone_of(facts.timezone)
        self.words = Words(self._worked_out, lambda _address: None, facts.monotonic)

    async def wall(self, request: Request) -> Response:
        """All fixtures of all hosts."""
        worst = request.query_params.get("order") == "worst"
        return await answer(request, lambda: self._wall(worst=worst))

    async def fixture(self, request: Request) -> Response:
        """One fixture, as far as MQTT goes."""
        names = request.path_params
        return await answer(request, lambda: self._fixture(names["lab"], names["fixture"]))

    def _worked_out(self, address: str) -> str:
        path, _, query = address.partition("?")
        try:
            match [each for each in path.split("/") if each]:
                case []:
                    return self._wall(worst="order=worst" in query)[0]
                case ["fixture", lab, fixture]:
                    return self._fixture(lab, fixture)[0]
                case _:
                    return ""
        except NightturnError:
            return ""

    def _wall(self, *, worst: bool) -> Found:
        assert self._zone is not None
        glances = [fleet_glance(each, self._zone) for each in self._fleet.fixtures()]
        hosts = self._host_lines()
        source = self._facts.source
        etag = etag_of((glances, hosts, source, worst))
        return etag, lambda: wall_page(
            glances,
            place=f"every host at {self._facts.broker}",
            zones=[self._facts.timezone],
            now_ns=self._facts.now_ns(),
            source=source,
            etag=etag,
            worst=worst,
            hosts=hosts,
            nobody=UNHEARD,
        )

    def _host_lines(self) -> tuple[AlarmLine, ...]:
        said = self._fleet.host_alarms()
        lines = lines_of((row for _, row in said), self._facts.timezone)
        return tuple(line.of_host(host) for (host, _), line in zip(said, lines, strict=True))

    def _fixture(self, lab: str, fixture: str) -> Found:
        heard = next(
            (each for each in self._fleet.fixtures() if (each.lab, each.fixture) == (lab, fixture)), None
        )
        if heard is None:
            raise RunNotFoundError("no host has said anything of such a fixture")
        assert self._zone is not None
        glance, source = fleet_glance(heard, self._zone), self._facts.source
        alarms = lines_of(heard.alarms, self._facts.timezone)
        rows = self._rows(heard)
        etag = etag_of((glance, alarms, rows, source))
        return etag, lambda: page(
            "fleet_fixture.html",
            glance=glance,
            alarms=alarms,
            rows=rows,
            host=heard.said["host"],
            not_here=", ".join(NOT_HERE),
            clock=clocks_text([self._facts.timezone], self._facts.now_ns()),
            source=source,
            etag=etag,
        )

    def _rows(self, heard: FixtureHeard) -> list[tuple[str, str]]:
        """What its state says, as pairs; of a silent one what was said last."""
        assert self._zone is not None
        said = heard.said
        return [
            ("host", str(said["host"])),
            ("run", str(said.get("run") or "none")),
            *limit_rows(said),
            ("expected end", "not known" if heard.silent else ends_text(said, self._zone)),
            ("why", str(said.get("reason") or "no reason is given")),
            ("waits for", str(said.get("waits_for") or "nothing")),
            ("line", str(said.get("link") or "not known")),
            *_inputs(said.get("inputs")),
        ]


def _inputs(inputs: object) -> list[tuple[str, str]]:
    if not isinstance(inputs, dict):
        return [("inputs", "not known")]
    return [(str(name).replace("_", " "), str(value)) for name, value in sorted(inputs.items())]


def fleet_application(fleet: Fleet, facts: FleetFacts, names: Iterable[str]) -> Starlette:
    """The page of what a fleet has said; `names` are those under which it may be asked."""
    pages = FleetPage(fleet, facts)
    routes = [
        Route("/", pages.wall),
        Route("/fixture/{lab}/{fixture}", pages.fixture),
        Route("/own/{name}", own),
        WebSocketRoute("/word", pages.words.word),
    ]
    middleware = [
        Middleware(Guard, names=tuple(names)),
        Middleware(GZipMiddleware, minimum_size=GZIP_BYTES_MIN),
    ]
    return Starlette(routes=routes, middleware=middleware)
