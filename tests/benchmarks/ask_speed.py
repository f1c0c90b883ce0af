"""How long questions to a large data root take: listing runs, one unit's friction over its nights, a second of samples.

    python tests/benchmarks/ask_speed.py [--runs 2000] [--nights 90] [--chunks 24] [--json]

"before" works everything out from the files, as a reader does that may not use the catalogue; "after" asks it. Wall and CPU time,
the best of three, with the bound on the CPU time; orientation, not a test: how much is opened is a test in tests/storage/test_catalogue.py.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import msgspec
from tests.storage.damages import CARD
from tests.storage.scenario import FIXTURE, STARTED_NS, cycle_record
from tests.storage.store import Night, manifest

from nightturn.model.records import Emit
from nightturn.storage import summaries
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.manifest import write_manifest
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs
from nightturn.storage.unit_runs import cycles_of_unit, runs_of_unit
from nightturn.storage.verify import verify

PASSES = 3
CHUNK_SAMPLES = 600_000  # a minute at 10 kS/s
UNIT = "Q-0117"
FRICTION_CPU_MS = 500.0


class Took(NamedTuple):
    """Time of the fastest pass, ms, and the bound on its CPU time, where there is one."""

    wall_ms: float
    cpu_ms: float
    cpu_bound_ms: float | None = None


def best(job: Callable[[], object]) -> Took:
    """Wall and CPU time, each of its fastest pass."""
    walls, cpus = [], []
    for _ in range(PASSES):
        wall, cpu = time.perf_counter_ns(), time.process_time_ns()
        job()
        walls.append((time.perf_counter_ns() - wall) / 1e6)
        cpus.append((time.process_time_ns() - cpu) / 1e6)
    return Took(min(walls), min(cpus))


@contextmanager
def without_catalogue() -> Iterator[None]:
    kept = Catalogue.may_be_kept
    Catalogue.may_be_kept = staticmethod(lambda _root: False)  # type: ignore[assignment, method-assign]  # the comparison
    try:
        yield
    finally:
        Catalogue.may_be_kept = kept  # type: ignore[method-assign]  # put back


def make_runs(root: Path, runs: int, nights: int) -> None:
    """Finished runs of a few samples and two cycles each; the newest `nights` are of one unit."""
    for number in range(runs):
        day, second = divmod(number, 86_400 // 60)
        run = f"2026{1 + day // 28:02}{1 + day % 28:02}T{second // 60:02}{second % 60:02}00Z-{number:04x}"
        night = Night(root, run)
        night.add_chunk(200, leave_out=(1,), rows=[Emit("cycles", cycle_record(n)) for n in (1, 2)])
        night.files.close()
        unit = UNIT if number >= runs - nights else f"Q-{number % 50}"
        card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=unit)).decode()
        write_manifest(night.files, msgspec.structs.replace(manifest(run), card=card, state="ended"))


def friction(root: Path) -> int:
    """The friction of a unit, cycle by cycle, over all its nights."""
    columns = ["ts_end", "friction_nm", "friction_nm_u", "friction_nm_status"]
    return len(cycles_of_unit(root, UNIT, columns))


def second(root: Path, run: str, chunks: int) -> int:
    """A second out of the middle of a run."""
    start = STARTED_NS + chunks * CHUNK_SAMPLES // 2 * 100_000 + 7_000_000_000
    return len(Run(root, FIXTURE, run).samples(start, start + 1_000_000_000, calibration="recorded"))


def main() -> None:
    """Make, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--nights", type=int, default=90)
    parser.add_argument("--chunks", type=int, default=24)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    found: dict[str, Took] = {}
    with tempfile.TemporaryDirectory() as scratch:
        root, long = Path(scratch) / "many", Path(scratch) / "long"
        make_runs(root, asked.runs, asked.nights)
        night = Night(long)
        for _ in range(asked.chunks):
            night.add_chunk(CHUNK_SAMPLES)
        time.sleep(summaries.SETTLED_NS / 1e9)  # what is younger is not entered
        questions: dict[str, Callable[[], object]] = {
            f"list_runs of {asked.runs} runs": lambda: list_runs(root),
            f"runs of a unit with {asked.nights}": lambda: runs_of_unit(root, UNIT),
            f"friction of a unit over {asked.nights} nights": lambda: friction(root),
            f"1 s of samples out of {asked.chunks} chunks": lambda: second(long, night.run, asked.chunks),
        }
        for name, ask in questions.items():
            with without_catalogue():
                found[f"{name}, before"] = best(ask)
            after = best(ask)
            bound = FRICTION_CPU_MS if name.startswith("friction") else None
            found[f"{name}, after"] = after._replace(cpu_bound_ms=bound)
        found["verify of the long run"] = best(lambda: verify(long))
    if asked.json:
        print(json.dumps({name: took._asdict() for name, took in found.items()}))
        return
    print(f"{'':60} {'wall ms':>10} {'CPU ms':>10}")
    for name, took in found.items():
        limit = "" if took.cpu_bound_ms is None else f"  < {took.cpu_bound_ms:.0f} ms of CPU"
        print(f"{name:60} {took.wall_ms:10.1f} {took.cpu_ms:10.1f}{limit}")


if __name__ == "__main__":
    main()
