"""What a fixture of the daemon is said to do while no run of it is open."""

from collections.abc import Sequence

from nightturn.bench.telling import Sink, tell
from nightturn.model.rows import (
    NO_RUN,
    RECOVERED,
    RUN_ENDED,
    STARTING,
    STATE,
    RecoveredRow,
    RunEnded,
    StandingRow,
)
from nightturn.storage.manifest import ENDED, newest_run, usable_manifest
from nightturn.world import World

READS = "the tape of the last run is being read"
MOUNT = "`nightturn mount` begins a run"


class Standing:
    """Tells the sinks of one fixture."""

    def __init__(self, fixture: str, world: World, sinks: Sequence[Sink]) -> None:
        self._fixture = fixture
        self._world = world
        self._sinks = tuple(sinks)
        self._run = ""
        self._ended = ""

    def starting(self, trouble: str = "") -> None:
        """Nobody knows yet whether a run goes on."""
        self._tell(STARTING, f"{READS}: {trouble}" if trouble else READS)

    def found(self) -> None:
        """Look up which run was the last; a place for slow work may call this."""
        files = self._world.files
        self._run = newest_run(files, self._fixture) or ""
        manifest = usable_manifest(files, self._fixture, self._run) if self._run else None
        over = manifest is not None and manifest.state == ENDED
        self._ended = f"run {self._run} ended: {manifest.reason}" if manifest is not None and over else ""

    def no_run(self, why: str) -> None:
        """No run is open, and none will be before somebody mounts a unit."""
        self._tell(NO_RUN, f"{why}; {self._ended}" if self._ended else why, MOUNT)

    def ended(self, row: RunEnded | None) -> None:
        """A run of an earlier daemon has ended on its tape; those that end under a station say so themselves."""
        if row is not None:
            tell(self._fixture, self._sinks, RUN_ENDED, row)

    def recovered(self, news: Sequence[RecoveredRow]) -> None:
        """What this start has put onto the record of an earlier daemon's run."""
        for row in news:
            tell(self._fixture, self._sinks, RECOVERED, row)

    def _tell(self, state: str, reason: str, waits_for: str = "") -> None:
        utc_ns = self._world.clock.utc_ns()
        row = StandingRow(ts=utc_ns, state=state, run=self._run, reason=reason, waits_for=waits_for)
        tell(self._fixture, self._sinks, STATE, row)
