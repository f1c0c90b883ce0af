"""What a request over the control socket does to alarms; every other one goes to the fixtures."""

from collections.abc import Collection

from nightturn.alarms.words import Acknowledge, Audited, Given, OutOfService, PutBack, SetAside
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.daemon.control_protocol import (
    ACKNOWLEDGE,
    AUDIT,
    OF_ALARMS,
    OUT_OF_SERVICE,
    SET_ASIDE,
    VERSION,
    Answer,
    Request,
    refused,
)
from nightturn.daemon.control_socket import Handler
from nightturn.model.alarms import HOST
from nightturn.model.clocks import NS_PER_S

DONE = {
    ACKNOWLEDGE: "acknowledged",
    SET_ASIDE: "set aside",
    OUT_OF_SERVICE: "out of service",
    AUDIT: "recorded",
}
BACK = "put back"


class AlarmControl:
    """Carries requests about alarms out; `others` has the rest."""

    def __init__(self, desk: AlarmDesk, fixtures: Collection[str], others: Handler) -> None:
        self._desk = desk
        self._fixtures = fixtures
        self._others = others

    async def __call__(self, request: Request) -> Answer:
        """Do what is asked."""
        if request.command not in OF_ALARMS:
            return await self._others(request)
        known = (*self._fixtures, HOST, *([""] if request.command == AUDIT else []))
        if request.fixture not in known:
            return refused(
                request.id, f"no fixture {request.fixture!r} here; this daemon has: {', '.join(known)}"
            )
        refusal, kept = await self._desk.asked(self._word(request))
        if refusal:
            return refused(request.id, refusal)
        what = f"{request.alarm} " if request.alarm and request.command != AUDIT else ""
        done = DONE.get(request.command, BACK)
        return Answer(
            VERSION, request.id, ok=True, state=f"{what}{done} by {request.operator.strip()}", kept=kept
        )

    def _word(self, request: Request) -> Given:
        fixture, alarm = request.fixture, request.alarm
        by, reason = request.operator.strip(), request.reason.strip()
        match request.command:
            case "acknowledge":
                return Acknowledge(fixture, alarm, by, reason)
            case "set_aside":
                until_ts = self._desk.now_ts + round(request.for_s * NS_PER_S)
                return SetAside(fixture, alarm, by, reason, until_ts)
            case "out_of_service":
                return OutOfService(fixture, alarm, by, reason)
            case "audit":
                return Audited(alarm, by, reason, fixture)
            case _:
                return PutBack(fixture, alarm, by, reason)
