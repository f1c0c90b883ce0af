"""`nightturn serve` with eyes: python -m tests.benchmarks.live.host DESCRIPTOR serve BENCH.

The daemon is the product's from its command line on. Put in from outside are a subclass of `FixtureWatch` that is kept
in a list, and a task on the daemon's loop that looks at the stations and says once a second what it saw.
"""

import asyncio
import os
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
from tests.benchmarks.live.processes import of_this_thread

from nightturn.bench.station import Cadence, Station
from nightturn.cli import main as nightturn
from nightturn.daemon import own_fixtures, serve
from nightturn.daemon.audience import Audience
from nightturn.daemon.terminal import Terminal
from nightturn.daemon.watch import FixtureWatch, Shared
from nightturn.motion.interlocks import GUARD_CLOSED
from nightturn.motion.permission import MotionState
from nightturn.settings.rig import FixtureSettings, Rig

PROBE_S = 0.01  # the loop's lag is seen to this
DURABLE_EVERY = 5  # probes
SAY_S = 1.0

WATCHES: list[FixtureWatch] = []


class Look(msgspec.Struct, frozen=True):
    """What was seen in one second; counts of fixtures unless said otherwise.

    Attributes:
        at_s: end of the second, CLOCK_MONOTONIC.
        lag_s: how late the loop has woken at worst.
        cpu_s, waited_s: CPU time of the loop's thread in it, and how long it was ready and had no core: that is the machine's, not ours.
        durable_age_s: longest time since a sync of a fixture that streams.
        guards_tried, guards_closed: fixtures whose guard was seen open in this run, and is closed.
        cuts, cycles: of each fixture since its run was opened.
        figures: cycles whose figures are still to come, in all.
        figures_s: for how long the first of them has waited, to a control tick.
        seals: segments that wait to be sealed or are being sealed, the most of any fixture.
        seals_failed, seals_refused: of all fixtures, so far.
        published, dropped: MQTT messages so far.
    """

    at_s: float
    lag_s: float
    cpu_s: float
    waited_s: float
    durable_age_s: float
    streaming: int
    guards_tried: int
    guards_closed: int
    turning: int
    cuts: list[int]
    cycles: list[int]
    figures: int
    figures_s: float
    seals: int
    seals_failed: int
    seals_refused: int
    published: int
    dropped: int


class KeptWatch(FixtureWatch):
    """The daemon's, within reach."""

    def __init__(self, settings: FixtureSettings, place: float, shared: Shared) -> None:
        super().__init__(settings, place, shared)
        WATCHES.append(self)


@dataclass(slots=True)
class _Worst:
    lag_s: float = 0.0
    durable_age_s: float = 0.0


@dataclass(slots=True)
class Eyes:
    """Looks at the stations until cancelled, and writes a line a second."""

    descriptor: int
    _worst: _Worst = field(default_factory=_Worst)
    _used_s: tuple[float, float] = (0.0, 0.0)

    async def run(self) -> None:
        """Look and say."""
        loop = asyncio.get_running_loop()
        probes, said_s = 0, loop.time()
        while True:
            due_s = loop.time() + PROBE_S
            await asyncio.sleep(PROBE_S)
            now_s = loop.time()
            self._worst.lag_s = max(self._worst.lag_s, now_s - due_s)
            probes += 1
            if probes % DURABLE_EVERY == 0:
                self._look_at_disk()
            if now_s - said_s >= SAY_S:
                said_s = now_s
                self._say()

    def _look_at_disk(self) -> None:
        for station in _stations():
            disk = station.core.state.disk
            if station.core.state.device.streams and disk.durable_record_no >= 0:
                age_s = (station._world.clock.monotonic_ns() - disk.durable_ns) / 1e9
                self._worst.durable_age_s = max(self._worst.durable_age_s, age_s)

    def _say(self) -> None:
        stations, worst = _stations(), self._worst
        self._worst = _Worst()
        before, self._used_s = self._used_s, of_this_thread()
        states = [station.core.state for station in stations]
        keepings = [station._keeping for station in stations]
        sinks = WATCHES[0]._shared.sinks if WATCHES else ()
        publisher = next((each.publisher for each in sinks if isinstance(each, Audience)), None)
        counters = publisher.counters if publisher is not None else None
        look = Look(
            at_s=time.monotonic(),
            lag_s=worst.lag_s,
            cpu_s=self._used_s[0] - before[0],
            waited_s=self._used_s[1] - before[1],
            durable_age_s=worst.durable_age_s,
            streaming=sum(state.device.streams for state in states),
            guards_tried=sum(state.motion.permission.guard_seen_open for state in states),
            guards_closed=sum(bool(state.watch.inputs & GUARD_CLOSED) for state in states),
            turning=sum(state.motion.permission.state is MotionState.TURNING for state in states),
            cuts=[
                state.chunk.no - _opened_with(station)
                for state, station in zip(states, stations, strict=True)
            ],
            cycles=[state.run.night.night.cycles for state in states],
            figures=sum(len(state.finishing.waiting) for state in states),
            figures_s=max((state.finishing.ticks for state in states), default=0) * Cadence().control_s,
            seals=max((keeping._sealing + len(keeping._unsealed) for keeping in keepings), default=0),
            seals_failed=sum(keeping.failed_seals for keeping in keepings),
            seals_refused=sum(keeping.refused_seals for keeping in keepings),
            published=counters.published if counters is not None else 0,
            dropped=counters.dropped if counters is not None else 0,
        )
        os.write(self.descriptor, msgspec.json.encode(look) + b"\n")


def _stations() -> list[Station]:
    return [watch.station for watch in WATCHES if watch.station is not None]


def _opened_with(station: Station) -> int:
    opened = station.core.state.run.opened
    return opened.chunk_no if opened is not None else 0


def main() -> None:
    """`nightturn` with the words behind the first, which is where to write what was seen."""
    eyes = Eyes(int(sys.argv.pop(1)))
    plain = serve.serve

    async def seen(bench: Path, rig: Rig, password: str | None, terminal: Terminal | None) -> bool:
        looking = asyncio.create_task(eyes.run())
        try:
            return await plain(bench, rig, password, terminal)
        finally:
            looking.cancel()

    setattr(own_fixtures, "FixtureWatch", KeptWatch)  # noqa: B010 - put in from outside
    setattr(serve, "serve", seen)  # noqa: B010 - the same
    nightturn()


if __name__ == "__main__":
    main()
