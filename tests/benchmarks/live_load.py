"""How many fixtures one host carries live: the daemon itself, with tape, Parquet, figures, MQTT and turning shafts.

    python tests/benchmarks/live_load.py [--fixtures 16] [--cuts 2] [--rate 10000] [--chunk S] [--viewers N] [--json]

64 fixtures through two cuts each take twelve minutes at the default chunk length, and want a machine on which nothing
else runs:

    python tests/benchmarks/live_load.py --fixtures 64 --cuts 2
    python tests/benchmarks/live_load.py --fixtures 96 --cuts 2

`nightturn serve` runs in a process of its own, as from the command line; the fixtures are virtual ones on ptys in a third
process, the broker is a fourth. This one is the person: mounts, tries the guards, says go, and ends the daemon when every
fixture has crossed so many cuts and a cycle end. The first cut of each comes within a chunk and a quarter, each at its
own moment; with `--cuts 1` the load lasts that long. Samples, gaps and stops are read from the files afterwards. Exit
code 1 when a bound is broken, 2 when the load never got going. Everything stays on loopback. A command, not a test.
"""

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import msgspec
from tests.benchmarks.live.devices import lags_of, line_of
from tests.benchmarks.live.host import SAY_S, Look
from tests.benchmarks.live.processes import Usage, children, module_of, usage
from tests.benchmarks.live.readers import WEB, CycleReader, viewers
from tests.benchmarks.live.rig import PERSON, set_out, unit_of
from tests.benchmarks.live.stored import Stored, stored
from tests.benchmarks.live.table import Line, bounded, report, zero

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO
from nightturn.demo.broker import Broker, start_broker
from nightturn.errors import DeviceError

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
FIRST_CUT = 1.25  # of a chunk's length: the latest that a fixture's first one comes
START_S = 120.0
SETTLED_S = (
    1.0  # between what is counted and the end, which stops the shafts: events have the time of their samples
)
EACH_S = 2.0  # for a fixture to be opened, and for one go
SPARE_S = 60.0
END_S = 90.0
REFUSED = "run_not_opened"
LAG_S_MAX = 0.3
DURABLE_S_MAX = 2.5  # the age at which motion ends
RSS_BYTES_MAX = 600e6
DAEMON = "daemon"
CHILDREN = {
    "nightturn.storage.sealing_child": "its process that seals",
    "nightturn.bench.figuring_child": "its process for figures",
}
PAGE = {"multiprocessing.spawn": "its process for the page"}
IN_THE_DAEMON = '"figures_in_the_daemon"'  # said of the first one; those of the minute behind it follow
ALLOWED_ALREADY = (
    "it is allowed already"  # a `go` before this one was carried out, and its answer came too late
)


class LoadError(Exception):
    """The load never got going, or did not end."""


@dataclass(slots=True)
class Seen:
    """What the daemon's eyes said, and when it mattered; seconds of CLOCK_MONOTONIC.

    Attributes:
        all_go_s: when every fixture had been told to go; before that is the start.
        over_s: when the end was asked for.
    """

    looks: list[Look] = field(default_factory=list)
    all_go_s: float = 0.0
    over_s: float = 0.0
    over_utc_ns: int = 0

    @property
    def last(self) -> Look | None:
        """The newest second."""
        return self.looks[-1] if self.looks else None

    def listen(self, descriptor: int) -> None:
        """Read lines until the daemon has ended; on a thread."""
        with os.fdopen(descriptor, "rb") as lines:
            for line in lines:
                self.looks.append(msgspec.json.decode(line, type=Look))

    def between(self, begin_s: float, end_s: float) -> list[Look]:
        """The seconds that lie in this stretch wholly."""
        return [look for look in self.looks if begin_s + SAY_S <= look.at_s <= end_s]


@dataclass(frozen=True, slots=True)
class Load:
    """The daemon and its fixtures, running."""

    folder: Path
    count: int
    chunk_s: float
    host: "subprocess.Popen[bytes]"
    devices: "subprocess.Popen[bytes]"
    broker: Broker
    reader: CycleReader
    seen: Seen

    def until(self, holds: Callable[[Look], bool], what: str, limit_s: float) -> None:
        """Wait until the newest second is as wanted.

        Raises:
            LoadError: a process has ended, or time is up; says what was seen last.
        """
        until_s = time.monotonic() + limit_s
        while (last := self.seen.last) is None or not holds(last):
            ended = self.host.poll() is not None or self.devices.poll() is not None
            if ended or REFUSED in self.said():
                raise LoadError(f"not any more: {what}; the daemon said:\n{self.said()[-3000:]}")
            if time.monotonic() > until_s:
                raise LoadError(
                    f"not within {limit_s:.0f} s: {what}; last seen: {last}; {self.said()[-1500:]}"
                )
            time.sleep(0.2)

    def devices_lag_s(self) -> float:
        """How late the loop of the fixtures has woken at worst since all were told to go; what they lose then is not the daemon's."""
        lines = lags_of(self.folder).read_text(encoding="ascii").splitlines()
        seen = [tuple(map(float, line.split())) for line in lines]
        return max((lag_s for at_s, lag_s in seen if at_s >= self.seen.all_go_s), default=0.0)

    def said(self) -> str:
        """The daemon's log."""
        return (self.folder / "serve.log").read_text(encoding="utf-8")

    def go(self, number: int) -> None:
        """Tell one fixture to turn, as `nightturn go` does."""
        until_s = time.monotonic() + 10 * EACH_S
        while True:
            request = new_request(GO, f"load-{number}", PERSON, unit=unit_of(number))
            try:
                answer = ask(self.folder / "nights", request)
            except DeviceError as error:
                problem = str(error)
            else:
                if answer.ok:
                    return
                problem = answer.problem
                if problem.startswith(ALLOWED_ALREADY):
                    return
            if time.monotonic() > until_s:
                raise LoadError(f"load-{number} does not go: {problem}")
            time.sleep(0.2)


@contextmanager
def started(folder: Path, count: int, rate: int, chunk_s: float | None, web: str = "") -> Iterator[Load]:
    """Broker, fixtures and daemon; all have ended afterwards."""
    program = [sys.executable, "-m"]
    with ExitStack() as closing:
        broker, why = start_broker(folder / "broker")
        if broker is None:
            raise LoadError(why)
        closing.callback(broker.stop)
        chunk_s = set_out(folder, count, rate, chunk_s, broker, web)
        reader = CycleReader(broker.port)
        closing.callback(reader.close)
        words = [*program, "tests.benchmarks.live.devices", str(folder), str(count)]
        devices = subprocess.Popen(words, env=ENVIRONMENT)
        closing.callback(_ended, devices)
        until_s = time.monotonic() + START_S
        while not all(line_of(folder, number).exists() for number in range(count)):
            if devices.poll() is not None or time.monotonic() > until_s:
                raise LoadError("the fixtures have no lines")
            time.sleep(0.1)
        reading, writing = os.pipe()
        words = [*program, "tests.benchmarks.live.host", str(writing), "serve", str(folder / "bench.toml")]
        with (folder / "serve.log").open("wb") as log:
            host = subprocess.Popen(words, env=ENVIRONMENT, stdout=log, stderr=log, pass_fds=(writing,))
        closing.callback(_ended, host)
        os.close(writing)
        seen = Seen()
        listening = threading.Thread(target=seen.listen, args=(reading,), daemon=True)
        listening.start()
        yield Load(folder, count, chunk_s, host, devices, broker, reader, seen)


def _ended(process: "subprocess.Popen[bytes]") -> None:
    """End a child: politely, then not."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
    process.wait()


def carried(load: Load, cuts: int) -> list[Line]:
    """Play the person, wait for the cuts, end the daemon; what its processes used meanwhile."""
    count, seen = load.count, load.seen
    load.until(lambda look: look.streaming == count, "every fixture streams", START_S + count * EACH_S)
    load.devices.send_signal(signal.SIGUSR1)
    load.until(lambda look: look.guards_tried == count, "every guard was seen open", START_S)
    load.devices.send_signal(signal.SIGUSR2)
    load.until(lambda look: look.guards_closed == count, "every guard is closed", START_S)
    for number in range(count):
        load.go(number)
    seen.all_go_s = time.monotonic()
    before = _usages(load)
    limit_s = (FIRST_CUT + cuts - 1) * load.chunk_s + SPARE_S + count * EACH_S
    try:
        load.until(lambda look: _crossed(look, count, cuts), f"{cuts} cuts and a cycle end of each", limit_s)
    except LoadError as error:
        if load.host.poll() is not None:
            raise
        print(f"live_load: {error}", file=sys.stderr)  # the table says how far it came
    seen.over_s, seen.over_utc_ns = time.monotonic(), time.time_ns()
    time.sleep(SETTLED_S)
    after = _usages(load)
    load.host.terminate()
    code = load.host.wait(END_S)
    if code != 0:
        raise LoadError(f"the daemon ended with {code}:\n{load.said()[-3000:]}")
    return used(before, after, seen.over_s - seen.all_go_s, count)


def _crossed(look: Look, count: int, cuts: int) -> bool:
    here = len(look.cuts) == count
    return here and min(look.cuts) >= cuts and min(look.cycles) >= 1 and look.seals == 0


def _usages(load: Load) -> dict[str, Usage]:
    """Of each process of the load, by what it is for."""
    pids = {DAEMON: load.host.pid}
    pids |= {(CHILDREN | PAGE).get(module_of(pid), "another child"): pid for pid in children(load.host.pid)}
    pids |= {"fixtures": load.devices.pid, "broker": load.broker.process.pid}
    return {name: usage(pid) for name, pid in pids.items()}


def used(before: dict[str, Usage], after: dict[str, Usage], seconds: float, count: int) -> list[Line]:
    """CPU shares over the load, and the peaks of memory of the daemon and its children."""
    nothing = Usage()
    shares = [
        Line(
            f"CPU, {name}",
            100 * (after[name].cpu_s - before.get(name, nothing).cpu_s) / seconds,
            "% of a core",
        )
        for name in after
    ]
    peaks = {name: after[name].rss_peak_bytes for name in (DAEMON, *CHILDREN.values()) if name in after}
    return [
        Line("time of the load", seconds, "s"),
        *shares,
        *(Line(f"RSS peak, {name}", peak / 1e6, "MB") for name, peak in peaks.items()),
        bounded("RSS peak, all of them", sum(peaks.values()) / 1e6, "MB", RSS_BYTES_MAX / 1e6, count),
    ]


def told(load: Load, cuts: int, found: Stored) -> list[Line]:
    """The table, but for what the processes used."""
    seen, count = load.seen, load.count
    start = seen.between(0.0, seen.all_go_s)
    looks = seen.between(seen.all_go_s, seen.over_s)
    last, worst = looks[-1], max(looks, key=lambda look: look.lag_s)
    fewest_cuts, fewest_cycles = min(last.cuts), min(last.cycles)
    return [
        Line("fixtures", count, ""),
        Line("chunk length", load.chunk_s, "s"),
        Line("cuts crossed, the fewest", fewest_cuts, "", f">= {cuts}", broken=fewest_cuts < cuts),
        Line("cuts crossed, in all", sum(last.cuts), ""),
        Line("cycle ends crossed, the fewest", fewest_cycles, "", ">= 1", broken=fewest_cycles < 1),
        Line("cycle ends crossed, in all", sum(last.cycles), ""),
        Line("samples stored", found.samples, ""),
        Line("raw chunks", found.chunks, ""),
        Line("raw chunks, size", found.bytes / 1e6, "MB"),
        zero("samples lost", found.lost.total(), ""),
        *(Line(f"  by {cause}", lost, "") for cause, lost in sorted(found.lost.items())),
        bounded("loop lag, max", 1000 * worst.lag_s, "ms", 1000 * LAG_S_MAX, count),
        Line("  CPU of the loop's thread in that second", 1000 * worst.cpu_s, "ms"),
        Line("  and ready without a core", 1000 * worst.waited_s, "ms"),
        Line(
            "loop lag, max before all were told to go",
            1000 * max((look.lag_s for look in start), default=0.0),
            "ms",
        ),
        bounded("durable age, max", max(look.durable_age_s for look in looks), "s", DURABLE_S_MAX, count),
        zero("leases lapsed", found.lapsed, "", count),
        zero("motion stops", found.stops.total(), "", count),
        *(Line(f"  {reason}", times, "") for reason, times in found.stops.most_common()),
        Line("seals of one fixture that wait, max", max(look.seals for look in looks), ""),
        zero("seals failed or refused", last.seals_failed + last.seals_refused, ""),
        zero("segments unsealed at the end", found.unsealed, ""),
        Line("cycles that wait for figures, max", max(look.figures for look in looks), ""),
        Line("longest wait for figures", max(look.figures_s for look in looks), "s"),
        Line("jobs worked out in the daemon itself", load.said().count(IN_THE_DAEMON), "or more"),
        Line("lag of the fixtures' own loop, max", 1000 * load.devices_lag_s(), "ms"),
        Line("MQTT messages", last.published, "", ">= 1", broken=last.published < 1),
        zero("MQTT messages dropped", last.dropped, ""),
        *load.reader.told(seen.all_go_s, seen.over_s, count),
        *(Line(f"told: {kind}", times, "") for kind, times in found.told.most_common()),
    ]


def main() -> int:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fixtures", type=int, default=16)
    parser.add_argument("--cuts", type=int, default=2, help="how many cuts each fixture is to cross")
    parser.add_argument("--rate", type=int, default=10_000)
    parser.add_argument("--chunk", type=float, help="seconds; the rig file's default without it")
    parser.add_argument(
        "--viewers", type=int, default=0, help="of the wall of its page, which it has for them only"
    )
    parser.add_argument("--looks", type=Path, help="a file for what was seen second by second, JSON lines")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    busy = os.getloadavg()[0]
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        try:
            web = WEB if given.viewers else ""
            with (
                started(folder, given.fixtures, given.rate, given.chunk, web) as load,
                viewers(folder / "serve.log", given.viewers) as heard,
            ):
                processes = carried(load, given.cuts)
            lines = told(load, given.cuts, stored(folder / "nights", load.seen.over_utc_ns))
        except LoadError as error:
            print(f"live_load: {error}", file=sys.stderr)
            return 2
    if given.looks is not None:
        given.looks.write_bytes(b"".join(msgspec.json.encode(look) + b"\n" for look in load.seen.looks))
    lines += [Line("words to viewers of the page", sum(heard), "")] if heard else []
    lines += [*processes, Line("load of the machine before", busy, "")]
    report(lines, as_json=given.json)
    return int(any(line.broken for line in lines))


if __name__ == "__main__":
    sys.exit(main())
