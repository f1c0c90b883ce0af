"""What the daemon says while it runs: a sink that logs runs, cycles, waits, motion, warnings and alarms."""

from collections.abc import Iterable
from pathlib import Path

import structlog

from nightturn.bench.station import Station
from nightturn.daemon.picture import Picture
from nightturn.daemon.wording import cycle_text, night_text, stored_text
from nightturn.errors import StorageError
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow, RunEnded, StateRow
from nightturn.model.verdicts import REJECT
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.entries import Amounts
from nightturn.world import World

log: structlog.stdlib.BoundLogger = structlog.get_logger()
MOTION = "motion_"
SAID_OTHERWISE = frozenset({"line_lost", "night_verdict"})
"""The line logs itself, and one that the host closes at the end is no warning; the verdict is said with its numbers."""
LEVELS = {"alarm": "error", "warning": "warning"}


class Spoken:
    """Logs what people must know as it comes, and keeps the newest picture of each fixture.

    Attributes:
        pictures: by fixture, in the rig's order.
    """

    def __init__(self, fixtures: Iterable[str]) -> None:
        self.pictures = {fixture: Picture(fixture) for fixture in fixtures}

    def offer(self, fixture: str, emit: Emit) -> None:
        """One row of a fixture; most are not for the log."""
        before, row = self.pictures[fixture], emit.row
        self.pictures[fixture] = before.seen(row)
        if isinstance(row, EventRow):
            _event(fixture, row)
        elif isinstance(row, CycleRecord):
            planned = before.state.cycles_planned if before.state is not None else 0
            _cycle(fixture, row, planned)
        elif isinstance(row, RunEnded):
            _ended(fixture, row)
        elif isinstance(row, StateRow):
            _waits(fixture, before.state, row)

    def waits_for_card(self, fixture: str, why: str) -> None:
        """No run is open until a unit is mounted."""
        text = f"{why}; `nightturn mount` of a unit on {fixture} opens a run"
        self.pictures[fixture] = self.pictures[fixture].waits(text)
        log.info("waiting_for_card", fixture=fixture, detail=text)

    def run_opened(self, fixture: str, run: str, unit: str, cycle_s: float, *, resumed: bool) -> None:
        """A run begins or goes on."""
        self.pictures[fixture] = self.pictures[fixture].opened(cycle_s)
        does = "goes on" if resumed else "begins; it records, and nothing turns until `nightturn go`"
        detail = f"run {run} of {unit} {does}"
        log.info("run_open", fixture=fixture, run=run, unit=unit, resumed=resumed, detail=detail)

    def stored(self, fixture: str, run: str, amounts: Amounts, missing: int, *, ended: bool) -> None:
        """A run has been closed, by its end or by the daemon's, and this much of it is on the disk."""
        log.info(
            "stored",
            fixture=fixture,
            run=run,
            samples=amounts.samples,
            cycles=amounts.cycles,
            size_bytes=amounts.bytes,
            gaps=amounts.gaps,
            missing_samples=missing,
            detail=stored_text(run, amounts, missing, ended=ended),
        )


async def say_stored(spoken: Spoken, fixture: str, station: Station, world: World, root: Path) -> None:
    """Look up what is stored of a closed station's run, and say it."""
    state = station.core.state
    assert state.run.opened is not None
    run = state.run.opened.run
    found: list[Amounts] = []

    def look() -> None:
        found.append(Catalogue(root).amounts(fixture, run))

    try:
        await world.offload(look)
    except StorageError as error:
        _not_known(fixture, error)
        return
    spoken.stored(fixture, run, found[0], state.counts.missing, ended=station.run_ended is not None)


def _not_known(fixture: str, error: StorageError) -> None:
    log.error("stored_not_known", fixture=fixture, why=str(error))


def _event(fixture: str, row: EventRow) -> None:
    if row.kind in SAID_OTHERWISE:
        return
    level = LEVELS.get(row.severity, "info" if row.kind.startswith(MOTION) else "")
    if level:
        getattr(log, level)(row.kind, fixture=fixture, detail=row.detail)


def _ended(fixture: str, row: RunEnded) -> None:
    verdict = row.night_verdict
    if verdict is not None:
        say = log.warning if verdict.word == REJECT else log.info
        say("night_verdict", fixture=fixture, run=row.run, word=verdict.word, detail=night_text(verdict))


def _waits(fixture: str, before: StateRow | None, row: StateRow) -> None:
    if row.waits_for and (before is None or before.waits_for != row.waits_for):
        log.info("waits", fixture=fixture, state=row.state, detail=row.waits_for)


def _cycle(fixture: str, cycle: CycleRecord, planned: int) -> None:
    log.info(
        "cycle",
        fixture=fixture,
        cycle_no=cycle.cycle_no,
        status=cycle.status,
        verdict=cycle.verdict,
        detail=cycle_text(cycle, planned),
    )
