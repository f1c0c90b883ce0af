"""The page of people, for an admin: who may look and act, adding and revoking as `nightturn users` does."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from nightturn.errors import ConfigError, StorageError
from nightturn.web.people import Person, Role
from nightturn.web.signing import Door, fields_of, said_page
from nightturn.web.templates import page

ADD, REVOKE = "add", "revoke"
PLACE = "/people"
NOT_YOURSELF = "Nobody changes or revokes themselves from here, so that an admin always stays."


class Roster:
    """The list and what is done to it; every change is a line of the alarms' log where a daemon keeps one."""

    def __init__(self, door: Door) -> None:
        self._door = door

    @property
    def routes(self) -> list[Route]:
        """Where they are."""
        return [
            Route(PLACE, self.listed, methods=["GET"]),
            Route(PLACE, self.change, methods=["POST"]),
        ]

    async def listed(self, request: Request) -> Response:
        """Everybody, for an admin."""
        person = await self._door.person(request)
        return await self._list(person) if person is not None and person.may_admit else _refused()

    async def change(self, request: Request) -> Response:
        """Add somebody, which shows a set-up code once, or revoke somebody."""
        person, form = await self._door.person(request), await fields_of(request)
        if person is None or not person.may_admit:
            return _refused()
        command, name = (form or {}).get("command", ""), (form or {}).get("name", "")
        if name == person.name:
            return await self._list(person, NOT_YOURSELF, 409)
        try:
            if command == REVOKE:
                return await self._revoke(person, name)
            if command == ADD:
                return await self._add(person, name, Role((form or {}).get("role", "")))
        except ConfigError as problem:
            return await self._list(person, f"{problem}", 400)
        except ValueError:
            pass
        return await self._list(person, "That is no role and nothing that can be done here.", 400)

    async def _add(self, person: Person, name: str, role: Role) -> Response:
        code = await run_in_threadpool(self._door.people.add, name, role, self._door.now_s())
        await self._door.audit("user_added", person.name, f"{name} may sign in as {role.value}")
        said = f"{name} may sign in as {role.value} with this code, once and within a day: {code}"
        return await self._list(person, said)

    async def _revoke(self, person: Person, name: str) -> Response:
        if not await run_in_threadpool(self._door.people.revoke, name):
            return await self._list(person, "There is no such person.", 404)
        await self._door.audit("user_revoked", person.name, f"{name} may no longer sign in")
        return await self._list(person, f"{name} is revoked, with every session.")

    async def _list(self, person: Person, said: str = "", status: int = 200) -> Response:
        try:
            rows = await run_in_threadpool(self._door.people.listed)
        except StorageError as problem:
            return said_page(f"{problem}", "", 500)
        text = page("people.html", said=said, rows=rows, own=person.name, roles=[each.value for each in Role])
        return Response(text, status, media_type="text/html", headers={"cache-control": "no-store"})


def _refused() -> Response:
    return said_page("Only a signed-in admin may see and change who may sign in.", "", 403)
