"""What a request over the control socket does to a fixture of this daemon, and what is answered."""

import asyncio
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Protocol

import msgspec

from nightturn.bench.counting import counters_of
from nightturn.bench.station import Station
from nightturn.daemon.before_go import before_go
from nightturn.daemon.control_protocol import (
    GO,
    LOOK,
    MOUNT,
    PAUSE,
    STATUS,
    STOP,
    UNMOUNT,
    VERSION,
    Answer,
    Request,
    refused,
)
from nightturn.daemon.mounting import card_of, recorded_travel, taken_off, travel_text
from nightturn.daemon.newer_card import against_go
from nightturn.errors import NightturnError
from nightturn.fixture.owners.run import ENDS
from nightturn.fixture.travel import travel_of
from nightturn.model.cards import MountCard
from nightturn.model.facts import Travel
from nightturn.model.tasks import MeasureTask, Standing
from nightturn.motion.permission import MotionState
from nightturn.settings.load import append_card, read_card
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.tasks import under_task
from nightturn.world import World

KEPT_S_MAX = 1.0  # a client waits two seconds
POLL_S = 0.01
NOT_NOW = frozenset(
    {MotionState.ALLOWED, MotionState.ANNOUNCED, MotionState.TURNING, MotionState.STOPPING}
)  # cards stay as they are while the shaft turns or may


class Watched(Protocol):
    """What of a fixture's watch is used here."""

    @property
    def station(self) -> Station | None:
        """The run that is open."""
        ...

    @property
    def settings(self) -> FixtureSettings:
        """The fixture of the rig file."""
        ...

    @property
    def card(self) -> MountCard | None:
        """The card of that run."""
        ...

    @property
    def standby(self) -> bool:
        """Whether no run is open, and none is about to be."""
        ...

    def take_card(self, newest: MountCard) -> int | None:
        """Put a newer card on the tape of the run that is open, as `newer_card.take`."""
        ...

    def when_open(self, name: str, by: str) -> bool:
        """Have a command be the first of a run that is about to be opened; whether there is such a run."""
        ...


class Control:
    """Carries requests out, on the daemon's own loop.

    Args:
        watches: by fixture.
        root: the data root, where mount cards are.
        world: clock, and a place for writing them.
    """

    def __init__(self, watches: Mapping[str, Watched], root: Path, world: World) -> None:
        self._watches = watches
        self._root = root
        self._world = world

    async def __call__(self, request: Request) -> Answer:
        """Do what is asked and say what the fixture is doing then."""
        watch = self._watches.get(request.fixture)
        if watch is None:
            return of_no_fixture(request, self._watches)
        station = watch.station
        if request.command in {STATUS, LOOK}:
            return _looked(request, watch) if request.command == LOOK else _shown(request, watch)
        if request.command in {MOUNT, UNMOUNT}:
            change_card = self._mount if request.command == MOUNT else self._unmount
            return await change_card(request, watch)
        if station is None or station.run_ended is not None:
            return _without_a_run(request, watch)
        if request.command == GO:
            return await self._go(request, watch, station)
        return await _carried_out(request, watch, station, STOP if request.command == STOP else PAUSE)

    async def _mount(self, request: Request, watch: Watched) -> Answer:
        """Write the card, and have the run that is open take it over before anything is answered.

        Without a run the fixture's watch finds it as it finds one that was there at the start.
        """
        problem = _not_now(request, watch.station) or _no_task_now(request, watch)
        if problem:
            return refused(request.id, problem)
        station, settings = watch.station, watch.settings
        open_run = station is not None and station.run_ended is None
        travel = (
            travel_of(station.core.state)
            if station is not None and open_run
            else await self._recorded(settings)
        )
        if travel.unknown and not request.travel_zero:
            return msgspec.structs.replace(refused(request.id, travel.unknown), left_out=True)
        made: list[MountCard] = []
        try:
            await self._world.offload(lambda: made.append(self._write(request)))
        except NightturnError as error:
            return refused(request.id, str(error))
        (card,) = made
        station = watch.station  # whatever run is open by now: a `go` must not find it with the older card
        kept = True  # the card is
        if station is not None and station.run_ended is None:
            record_no = watch.take_card(card)
            kept = record_no is not None and await _kept(station, record_no)
        said = travel_text(travel, settings, anew=request.travel_zero)
        return msgspec.structs.replace(_shown(request, watch), kept=kept, travel=said)

    def _write(self, request: Request) -> MountCard:
        """Beside the loop: the card of a request, which is in force from here on."""
        before = read_card(self._root, request.fixture) if request.stays else None
        card = card_of(request, self._world.clock.utc_ns(), before)
        _append(self._root, request.fixture, card)
        return card

    async def _go(self, request: Request, watch: Watched, station: Station) -> Answer:
        """Permission to turn, for the unit that is mounted and no other, by the newest card there is."""
        newest: list[MountCard | None] = []
        try:
            await self._world.offload(lambda: newest.append(read_card(self._root, request.fixture)))
        except NightturnError as error:
            return refused(request.id, f"it is not known which unit is mounted: {error}")
        if watch.station is not station or station.run_ended is not None:
            return _without_a_run(request, watch)
        problem = against_go(request.fixture, newest[0], watch.card)
        if problem:
            if newest[0] is not None:
                watch.take_card(newest[0])
            return refused(request.id, problem)
        mounted = watch.card.unit if watch.card is not None else ""
        if request.unit.strip() != mounted:
            problem = f"{request.fixture} has {mounted or 'no unit'} mounted, not {request.unit.strip()}"
            return refused(request.id, f"{problem}; nothing was changed")
        record_no = station.command("go", _by(request), mounted)
        permission = station.core.state.motion.permission
        if record_no is None:
            return refused(request.id, "the tape takes no records, so nothing may turn; nothing was changed")
        if permission.refusal:
            return refused(request.id, permission.refusal)
        return msgspec.structs.replace(_shown(request, watch), kept=await _kept(station, record_no))

    async def _recorded(self, settings: FixtureSettings) -> Travel:
        found: list[Travel] = []
        await self._world.offload(lambda: found.append(recorded_travel(self._root, settings)))
        return found[0]

    async def _unmount(self, request: Request, watch: Watched) -> Answer:
        """Take the card off, and end the run that it had begun."""
        problem = _not_now(request, watch.station)
        if problem:
            return refused(request.id, problem)
        utc_ns = self._world.clock.utc_ns()
        gone: list[MountCard] = []

        def write() -> None:
            card = taken_off(self._root, request, utc_ns)
            _append(self._root, request.fixture, card)
            gone.append(card)

        try:
            await self._world.offload(write)
        except NightturnError as error:
            return refused(request.id, str(error))
        station = watch.station
        kept = True  # the card is
        if station is not None and station.run_ended is None:
            record_no = station.command(UNMOUNT, _by(request))
            kept = record_no is not None and await _kept(station, record_no)
        else:
            watch.when_open(UNMOUNT, _by(request))
        state = f"{gone[0].unit} unmounted by {request.operator.strip()}"
        waits_for = f"waits for `nightturn mount` of a unit on {request.fixture}"
        return Answer(VERSION, request.id, ok=True, state=state, waits_for=waits_for, kept=kept)


def _append(root: Path, fixture: str, card: MountCard) -> None:
    append_card(root, fixture, card)


def _not_now(request: Request, station: Station | None) -> str:
    """Why no card is written or taken off now, or an empty text."""
    if station is None or station.run_ended is not None:
        return ""
    permission = station.core.state.motion.permission
    if permission.state in NOT_NOW:
        stop = f"`nightturn stop {request.fixture} --operator NAME`"
        return f"stop it first: {stop}; it is {permission.state.value} ({permission.text})"
    if station.core.state.run.phase in ENDS:
        return f"the run of {request.fixture} is ending; ask again when it has ended"
    return ""


def _no_task_now(request: Request, watch: Watched) -> str:
    """Why a card with a task is not taken: its run is one of its own, beside no other."""
    if isinstance(request.task, msgspec.UnsetType) or watch.standby:
        return ""
    name, fixture = request.task.name, request.fixture
    if watch.station is None or watch.card is None:
        return f"a run of {fixture} is about to be opened or closed; ask again in a moment"
    return (
        f"a run of {watch.card.unit} is open on {fixture}, and {name} takes a run of its own; end that one first: "
        f"`nightturn stop {fixture} --operator NAME`, or `nightturn unmount`"
    )


def _looked(request: Request, watch: Watched) -> Answer:
    """What a person reads before a `go`; empty without a run, whose `go` is refused anyway."""
    station, card = watch.station, watch.card
    opened = station.core.state.run.opened if station is not None else None
    if station is None or card is None or opened is None:
        return _shown(request, watch)
    shows = before_go(station.core.state, under_task(watch.settings, card), card, opened)
    return msgspec.structs.replace(_shown(request, watch), shows=shows)


def _without_a_run(request: Request, watch: Watched) -> Answer:
    """Nothing turns; a run that an earlier daemon left open may be about to go on, and does not get past a stop."""
    if request.command != GO and watch.when_open(request.command, _by(request)):
        state = "the run is being recovered; the command is its first when it is open"
        return Answer(VERSION, request.id, ok=True, state=state, kept=False)
    if request.command == STOP:
        return _shown(request, watch)
    return refused(request.id, f"no run is open on {request.fixture}; mount a unit: `nightturn mount`")


def of_no_fixture(request: Request, known: Iterable[str]) -> Answer:
    """The answer to a request that names none of the fixtures there are: a status of all says which, anything else is refused."""
    if request.command == STATUS and not request.fixture:
        return Answer(VERSION, request.id, ok=True, fixtures=tuple(known))
    return refused(request.id, f"no fixture {request.fixture!r} here; this daemon has: {', '.join(known)}")


async def _carried_out(request: Request, watch: Watched, station: Station, name: str) -> Answer:
    record_no = station.command(name, _by(request))
    if record_no is None:
        problem = (
            "the core has failed, so OFF was sent to the drive and the line is closed; the command is not kept"
            if station.crashed is not None
            else "the tape takes no records, so OFF was sent to the drive and the line is closed; the command is not kept yet "
            "and follows when the tape takes records again; motion then waits for `go`"
        )
        return Answer(VERSION, request.id, ok=True, state=problem, kept=False)
    shown = _shown(request, watch)  # before anything is waited for: a run that this ends is closed meanwhile
    unchanged = station.core.state.motion.permission.unchanged
    if unchanged:
        shown = msgspec.structs.replace(shown, state=f"{shown.state}; {unchanged}")
    return msgspec.structs.replace(shown, kept=await _kept(station, record_no))


async def _kept(station: Station, record_no: int) -> bool:
    """Wait, bounded, until the record is on the disk."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + KEPT_S_MAX
    while station.durable_through < record_no and loop.time() < until_s:
        station.sync_now()
        await asyncio.sleep(POLL_S)
    return station.durable_through >= record_no


def _by(request: Request) -> str:
    """Who asks, and why, as the tape and the events name it."""
    operator, reason = request.operator.strip(), request.reason.strip()
    return f"{operator} ({reason})" if reason else operator


def _open_run(station: Station) -> str:
    opened = station.core.state.run.opened
    return opened.run if opened is not None else ""


def _measured(station: Station, card: MountCard) -> tuple[Standing, ...]:
    task = card.task
    return station.core.state.run.measured.standings(task) if isinstance(task, MeasureTask) else ()


def _shown(request: Request, watch: Watched) -> Answer:
    station, card = watch.station, watch.card
    if station is None or card is None:
        state, waits_for = "no run is open", f"waits for `nightturn mount` of a unit on {request.fixture}"
        return Answer(VERSION, request.id, ok=True, state=state, waits_for=waits_for)
    permission = station.core.state.motion.permission
    state = f"{permission.state.value}: {permission.text}"
    durable_through, durable_utc_ns = station.core.state.disk.durable_through
    return Answer(
        VERSION,
        request.id,
        ok=True,
        state=state,
        waits_for=station.waits_for,
        counters=counters_of(station.core),
        night_verdict=station.core.state.run.night.verdict,
        durable_through=durable_through,
        durable_utc_ns=durable_utc_ns,
        trends=station.core.state.run.trends.notices,
        measured=_measured(station, card),
        run=_open_run(station),
    )
