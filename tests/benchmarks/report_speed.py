"""How long a morning takes: report as HTML and PDF, a minute of a tape, a comparison, a batch of 200 units; and how much memory.

    python tests/benchmarks/report_speed.py [--root FOLDER] [--hours 8] [--units 200] [--json]

Each is a process of its own, as a person starts it, so that the start of Python and its imports count. CPU time of the process and its
children, and the largest resident memory, each with its bound; without --root a demo night is recorded first. The minutes of the tape are the one
that a segment begins with, and the one before the next segment, which is the slowest there is.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import msgspec
import numpy as np
from tests.storage.damages import CARD
from tests.storage.scenario import cycle_record
from tests.storage.store import Night, manifest

from nightturn.model.figures import Curve
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import CURVES
from nightturn.model.verdicts import ACCEPT
from nightturn.replay.tapes import tape_of
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest, write_manifest
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary, list_runs
from nightturn.storage.segment import read_header
from nightturn.storage.summaries import SETTLED_NS

NIGHTTURN = Path(sys.executable).with_name("nightturn")
MEMORY_MB = 500.0
HTML_S, PDF_S, AT_S, COMPARE_S, BATCH_S = 6.0, 12.0, 2.0, 3.0, 3.0
SIZE_MB = 1.5
NS_PER_S = 1_000_000_000
CYCLES = 12
"""Of each unit of the batch, as many as its last hour had."""


class Line(NamedTuple):
    """One number with its bound."""

    what: str
    value: float
    bound: float
    unit: str

    @property
    def held(self) -> bool:
        return self.value <= self.bound


def asked(what: str, bound_s: float, *arguments: str) -> Iterator[Line]:
    """CPU time and memory of one command."""
    out = subprocess.Popen([NIGHTTURN, *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(out.pid, 0)
    out.returncode = os.waitstatus_to_exitcode(status)
    assert out.returncode in (0, 1), (what, out.returncode)
    yield Line(what, usage.ru_utime + usage.ru_stime, bound_s, "s CPU")
    yield Line(f"{what}, memory", usage.ru_maxrss / 1024, MEMORY_MB, "MB")


def reports(root: Path, run: RunSummary, out: Path) -> Iterator[Line]:
    """Of one run, as HTML and with its PDF."""
    yield from asked("report, HTML", HTML_S, "report", str(root), run.run, "--out", str(out))
    yield from asked("report, HTML and PDF", PDF_S, "report", str(root), run.run, "--pdf", "--out", str(out))
    for each in sorted(out.iterdir()):
        yield Line(f"size of the {each.suffix[1:].upper()}", each.stat().st_size / 1e6, SIZE_MB, "MB")


def minutes(root: Path, run: RunSummary) -> Iterator[Line]:
    """The minute at the begin and at the end of a segment in the middle of the tape."""
    files = tape_of(root, run.fixture, run.run).files
    middle = len(files) // 2
    starts = [read_header(path, str(path)).started_utc_ns for path in files[middle : middle + 2]]
    for what, ts in (("begin", starts[0] + NS_PER_S), ("end", starts[-1] - 70 * NS_PER_S)):
        moment = run.started_utc + timedelta(seconds=ts / NS_PER_S - run.started_utc.timestamp())
        at = moment.strftime("%Y-%m-%dT%H:%M:%SZ")
        yield from asked(
            f"replay --at, {what} of a segment", AT_S,
            "replay", str(root), "--fixture", run.fixture, "--run", run.run, "--at", at,
        )  # fmt: skip


def curves_of(root: Path, run: RunSummary) -> list[tuple[Curve, ...]]:
    """The curves of a run's newest cycles, as a cycle carries them."""
    frame = Run(root, run.fixture, run.run).frame(CURVES)
    newest = sorted(set(frame["cycle_no"]))[-CYCLES:]
    found = []
    for number in newest:
        rows = frame[frame["cycle_no"] == number]
        found.append(
            tuple(
                Curve(
                    row.leg,
                    row.direction,
                    row.turns,
                    *(
                        np.asarray(each, np.float32).tobytes()
                        for each in (row.torque_nm, row.amplitude_nm, row.floor_nm)
                    ),
                )
                for row in rows.itertuples()
            )
        )
    return found


def make_batch(target: Path, root: Path, run: RunSummary, units: int) -> None:
    """Accepted runs of so many units, each with the newest cycles of one recorded run."""
    real = read_manifest(RealFiles(root), run.fixture, run.run)
    curves = curves_of(root, run)
    rng = np.random.default_rng(1)
    for number in range(units):
        night = Night(target, f"202611{1 + number // 60:02d}T21{number % 60:02d}00Z-{number:04x}")
        rows = [
            Emit("cycles", msgspec.structs.replace(cycle_record(at), curves=each))
            for at, each in enumerate(curves, 1)
        ]
        night.add_chunk(200, gap_rows=False, rows=rows)
        night.files.close()
        value = 0.09 + 0.001 * float(rng.standard_normal())
        limit = LimitVerdict("friction_nm", "max", "", value, 1e-4, 100.0, 0.15, ACCEPT, 150)
        card = msgspec.json.encode(msgspec.structs.replace(CARD, unit=f"Q-{number:04d}")).decode()
        made = msgspec.structs.replace(
            manifest(night.run),
            rig=real.rig,
            variant=real.variant,
            card=card,
            calibration=real.calibration,
            night_verdict=NightVerdict(ACCEPT, (), (limit,)),
            state="ended",
        )
        write_manifest(night.files, made)


def main() -> None:
    """Record where no root is given, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--root", type=Path)
    parser.add_argument("--hours", default="8")
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="nightturn-report-") as scratch:
        root, batch = given.root, Path(scratch) / "batch"
        if root is None:
            call = [NIGHTTURN, "demo", "--json", "--hours", given.hours, "--out", scratch]
            subprocess.run(call, check=True, stdout=subprocess.DEVNULL)
            root = Path(scratch) / "nights"
        by_fixture = {each.fixture: each for each in list_runs(root)}
        worn, good = by_fixture["pan-a2"], by_fixture["pan-a1"]
        make_batch(batch, root, good, given.units)
        time.sleep(SETTLED_NS / NS_PER_S)  # what is younger is not entered
        list_runs(batch)
        found = [
            *reports(root, worn, Path(scratch) / "reports"),
            *minutes(root, worn),
            *asked("compare", COMPARE_S, "compare", str(root), worn.run, good.run),
            *asked(f"batch of {given.units} units", BATCH_S, "batch", str(batch), "--variant", CARD.variant),
        ]
    if given.json:
        print(json.dumps([each._asdict() for each in found]))
    else:
        for each in found:
            mark = "" if each.held else "  BROKEN"
            print(f"{each.what:45} {each.value:8.2f}  <= {each.bound:6.1f} {each.unit}{mark}")
    if not all(each.held for each in found):
        sys.exit(1)


if __name__ == "__main__":
    main()
