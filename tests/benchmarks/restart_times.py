"""How soon a host records again: the daemon is killed while many fixtures record, and started anew.

    python tests/benchmarks/restart_times.py [--fixtures 36] [--rate 10000] [--json]

Fixtures, broker and daemon are those of `live_load.py`. Every fixture records for some seconds, the daemon is killed (kill -9), and from
the start of the next one it is counted until samples of each fixture are on its tape again: recovery, sheets and the first blocks.
Wall time is the machine's, so it wants a quiet one; CPU time is the daemon's with its children. Exit code 1 when a bound is broken, 2
when the load never got going. A command, not a test.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.live.processes import children, usage
from tests.benchmarks.live.table import Line, report
from tests.benchmarks.live_load import EACH_S, ENVIRONMENT, START_S, Load, LoadError, started

from nightturn.errors import StorageError
from nightturn.storage.segment import read_segment
from nightturn_protocol.framing import HEADER
from nightturn_protocol.messages import Block

NIGHTTURN = [sys.executable, "-c", "from nightturn.cli import main; main()"]
RECORDED_S = 10.0
BOUND_S = 10.0
LIMIT_S = 120.0
POLL_S = 0.05
CHUNK_S = 300.0


def samples_on_tape(folder: Path) -> bool:
    """Whether the segment that a fixture's tape is written to holds a block of samples."""
    for path in folder.glob("*.ntj"):
        try:
            content, frames = read_segment(path.read_bytes(), path.name).frames()
        except (OSError, StorageError):  # it has just gone, or is not whole yet
            continue
        if any(
            each.stop - each.start >= HEADER.size and HEADER.unpack_from(content, each.start)[1] == Block.KIND
            for each in frames
        ):
            return True
    return False


def restarted(load: Load) -> list[Line]:
    """Kill the daemon, start it, and count until every fixture's samples are on its tape."""
    load.until(
        lambda look: look.streaming == load.count, "every fixture streams", START_S + load.count * EACH_S
    )
    time.sleep(RECORDED_S)
    load.host.kill()
    load.host.wait()
    journal = load.folder / "nights" / "journal"
    old = set(journal.glob("*/*.ntj"))
    bench = str(load.folder / "bench.toml")
    with (load.folder / "again.log").open("wb") as log:
        began_s = time.monotonic()
        host = subprocess.Popen([*NIGHTTURN, "serve", bench], env=ENVIRONMENT, stdout=log, stderr=log)
    try:
        seen_s: dict[str, float] = {}
        while len(seen_s) < load.count:
            ran_s = time.monotonic() - began_s
            if host.poll() is not None or ran_s > LIMIT_S:
                said = (load.folder / "again.log").read_text(encoding="utf-8")[-3000:]
                raise LoadError(
                    f"{len(seen_s)} of {load.count} fixtures after {ran_s:.0f} s; the daemon said:\n{said}"
                )
            for folder in journal.iterdir():
                if (
                    folder.name not in seen_s
                    and old.isdisjoint(folder.glob("*.ntj"))
                    and samples_on_tape(folder)
                ):
                    seen_s[folder.name] = time.monotonic() - began_s
            time.sleep(POLL_S)
        cpu_s = usage(host.pid).cpu_s + sum(usage(pid).cpu_s for pid in children(host.pid))
    finally:
        host.terminate()
        host.wait()
    last_s = max(seen_s.values())
    return [
        Line("fixtures", load.count, ""),
        Line("samples of the first are on its tape after", min(seen_s.values()), "s"),
        Line(
            "samples of all are on their tapes after", last_s, "s", f"< {BOUND_S:g}", broken=last_s >= BOUND_S
        ),
        Line("CPU time of the daemon until then", cpu_s, "s"),
    ]


def main() -> int:
    """Parse, run, print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--fixtures", type=int, default=36)
    parser.add_argument("--rate", type=int, default=10_000)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    busy = os.getloadavg()[0]
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        try:
            with started(Path(name), given.fixtures, given.rate, CHUNK_S) as load:
                lines = restarted(load)
        except LoadError as error:
            print(f"restart_times: {error}", file=sys.stderr)
            return 2
    lines.append(Line("load of the machine before", busy, ""))
    report(lines, as_json=given.json)
    return int(any(line.broken for line in lines))


if __name__ == "__main__":
    sys.exit(main())
