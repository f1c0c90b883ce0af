"""The page for programs: what each fixture does and which alarms are open, as JSON that an OpenAPI document describes."""

from collections.abc import Callable
from functools import cache
from typing import TypeVar

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from nightturn.errors import NightturnError, RunNotFoundError
from nightturn.model.alarms import AlarmRow
from nightturn.model.names import fixture_id_problem
from nightturn.telemetry.open_metrics import CONTENT_TYPE, Seen, exposition
from nightturn.version import VERSION
from nightturn.web.glance import Glance
from nightturn.web.heard import Heard
from nightturn.web.nights import Nights

ROOT = "/api/v1"
Found = TypeVar("Found")
Kind = type[msgspec.Struct]


class FixtureNow(msgspec.Struct, frozen=True):
    """One fixture.

    Attributes:
        run, unit, variant: of its newest run; empty where there is none, or nothing can be read of it.
        need: act now, today or note. asks_for_a_person: whether it is today or now.
        silent: whether nothing is known of now. state: what it does, in a word or two.
        sentence: what is to be said first; more: what else, or empty.
        figure: the one nearest its limit, with both; empty where none was judged. cycle: number and time, or that there is none.
    """

    fixture: str
    run: str
    unit: str
    variant: str
    need: str
    asks_for_a_person: bool
    silent: bool
    state: str
    sentence: str
    more: str
    figure: str
    cycle: str


class FixturesNow(msgspec.Struct, frozen=True):
    """All fixtures, in the order of the wall."""

    fixtures: tuple[FixtureNow, ...]


class AlarmsNow(msgspec.Struct, frozen=True):
    """Alarms that are open, the most urgent first; `problem` says why some of it may be wrong, and is empty where nothing is known to be."""

    alarms: tuple[AlarmRow, ...]
    problem: str


class Problem(msgspec.Struct, frozen=True):
    """Why there is no answer."""

    problem: str


class Api:
    """The answers; what reads files is worked out in a thread."""

    def __init__(self, nights: Nights) -> None:
        self._nights = nights

    @property
    def routes(self) -> list[Route]:
        """Where they are."""
        return [
            Route(f"{ROOT}/fixtures", self.fixtures),
            Route(f"{ROOT}/fixtures/{{fixture}}", self.one),
            Route(f"{ROOT}/alarms", self.alarms),
            Route(f"{ROOT}/openapi.json", self.described),
            Route("/metrics", self.metrics),
        ]

    async def fixtures(self, _request: Request) -> Response:
        """All fixtures."""
        return await _answer(lambda: FixturesNow(tuple(map(_now, self._nights.wall()))))

    async def one(self, request: Request) -> Response:
        """One fixture."""
        name = request.path_params["fixture"]

        def make() -> FixtureNow:
            found = None if fixture_id_problem(name) else self._nights.one(name)
            if found is None:
                raise RunNotFoundError("no such fixture is recorded here")
            return _now(found)

        return await _answer(make)

    async def alarms(self, _request: Request) -> Response:
        """What is open."""

        def make() -> AlarmsNow:
            book = self._nights.book()
            return AlarmsNow(book.rows, book.problem)

        return await _answer(make)

    async def metrics(self, _request: Request) -> Response:
        """What a daemon says now, as OpenMetrics text; of a fixture that is silent there is no sample, and without a daemon none at all."""
        hearing = self._nights.hearing
        known = hearing.fixtures if hearing is not None else None
        if hearing is None or known is None:
            return PlainTextResponse("no daemon says what it sees now\n", 503)
        seen = {name: _seen(hearing.heard(name)) for name in known.names}
        rows = (await run_in_threadpool(self._nights.book)).rows
        return Response(exposition(known.lab, VERSION, seen, rows), headers={"content-type": CONTENT_TYPE})

    async def described(self, _request: Request) -> Response:
        """The OpenAPI document."""
        return Response(openapi(), media_type="application/json")


@cache
def openapi() -> bytes:
    """The document that describes all of this, OpenAPI 3.1, made of the structs that are sent."""
    kinds = (FixturesNow, FixtureNow, AlarmsNow, Problem)
    refs, components = msgspec.json.schema_components(kinds, ref_template="#/components/schemas/{name}")
    schemas = dict(zip(kinds, refs, strict=True))

    def answer(kind: Kind, words: str) -> dict[str, object]:
        return {"description": words, "content": {"application/json": {"schema": schemas[kind]}}}

    def asked(operation: str, words: str, kind: Kind, *, named: bool = False) -> dict[str, object]:
        answers = {
            "200": answer(kind, words),
            "401": answer(Problem, "Nobody is signed in, where that is asked for."),
            "503": answer(Problem, "The data root cannot be read."),
        }
        if named:
            answers["404"] = answer(Problem, "There is no such fixture.")
        where = {"name": "fixture", "in": "path", "required": True, "schema": {"type": "string"}}
        return {
            "get": {
                "operationId": operation,
                "summary": words,
                "parameters": [where] if named else [],
                "responses": answers,
            }
        }

    return msgspec.json.encode(
        {
            "openapi": "3.1.0",
            "info": {
                "title": "nightturn",
                "version": VERSION,
                "description": "What the page shows, for programs. Nothing can be commanded here, and nothing here is a safety function.",
            },
            "paths": {
                f"{ROOT}/fixtures": asked("fixtures", "All fixtures, in the order of the wall.", FixturesNow),
                f"{ROOT}/fixtures/{{fixture}}": asked("fixture", "One fixture.", FixtureNow, named=True),
                f"{ROOT}/alarms": asked("alarms", "Alarms that are open.", AlarmsNow),
            },
            "components": {"schemas": components},
        }
    )


async def _answer(make: Callable[[], Found]) -> Response:
    try:
        return _json(await run_in_threadpool(make))
    except RunNotFoundError as error:
        return _json(Problem(str(error)), 404)
    except NightturnError as error:
        return _json(Problem(str(error)), 503)


def _json(value: object, status: int = 200) -> Response:
    return Response(msgspec.json.encode(value), status, media_type="application/json")


def _seen(heard: Heard | None) -> Seen:
    if heard is None or heard.silent:
        return Seen()
    return Seen(heard.state or heard.standing, heard.live)


def _now(glance: Glance) -> FixtureNow:
    return FixtureNow(
        fixture=glance.fixture,
        run=glance.run,
        unit=glance.unit,
        variant=glance.variant,
        need=glance.need.word,
        asks_for_a_person=glance.asks,
        silent=glance.silent,
        state=glance.word,
        sentence=glance.sentence,
        more=glance.more,
        figure=glance.value,
        cycle=glance.foot,
    )
