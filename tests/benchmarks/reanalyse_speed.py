"""How fast figures are made again from stored samples, and what a year of nights costs.

    python tests/benchmarks/reanalyse_speed.py [--rates 10000 1000] [--json]

Records a healthy unit in virtual time (two cycles of some 400 s, 71 a night; a chunk every five minutes), removes the tape, and makes the figures again:
CPU time of one process, the best of several passes, and from it the core-hours of 1,000 nights of eight hours. Orientation, not a test.
"""

import argparse
import json
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from replay_logs.make import SCENES, record
from tests.replay.scenes import quiet

from nightturn.reanalysis.job import Job, carry_out
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn

PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=2, speed_rpm=3.0),
    hold=Hold(torque_nm=5.0, revolutions=3, speed_rpm=3.0),
    exercise=Exercise(strokes=50, angle_deg=270.0, speed_rpm=12.0),
    cycles=2,
)
NIGHTS, NIGHT_S = 1000, 8 * 3600
BOUND_CORE_HOURS = {1000: 0.8}
"""As measured for 1 kS/s before this was built."""
PASSES = 3


class Speed(NamedTuple):
    """One rate: samples and cycles made again, CPU seconds, million samples a second, core-hours of 1,000 nights."""

    rate_hz: int
    samples: int
    cycles: int
    cpu_s: float
    ms_per_s: float
    core_hours: float


def measured(rate_hz: int) -> Speed:
    """The speed at one rate."""
    scene = replace(SCENES[0], plan=PLAN, rate_hz=rate_hz, seconds_max=1200.0, chunk_s=300.0)
    with tempfile.TemporaryDirectory() as folder:
        with quiet():
            made = record(scene, Path(folder))
        shutil.rmtree(made.root / "journal")
        passes = []
        for _ in range(PASSES):
            shutil.rmtree(made.root / "reanalysis", ignore_errors=True)
            outcome = carry_out(Job(str(made.root), made.fixture, made.run, "standard"))
            assert outcome.ok, outcome
            passes.append(outcome)
    best = min(passes, key=lambda each: each.cpu_s)
    per_s = best.samples / best.cpu_s
    hours = NIGHTS * NIGHT_S * rate_hz / per_s / 3600
    return Speed(rate_hz, best.samples, best.cycles, best.cpu_s, per_s / 1e6, hours)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rates", type=int, nargs="+", default=[10_000, 1000])
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    speeds = [measured(rate_hz) for rate_hz in given.rates]
    if given.json:
        print(json.dumps([each._asdict() for each in speeds], indent=2))
        return
    print("  rate/Hz    samples  cycles   CPU/s   MS/s  core-h per 1,000 nights  orientation")
    for each in speeds:
        bound = BOUND_CORE_HOURS.get(each.rate_hz)
        print(
            f"{each.rate_hz:9d} {each.samples:10d} {each.cycles:7d} {each.cpu_s:7.2f} {each.ms_per_s:6.1f} {each.core_hours:24.2f}"
            f"  {'' if bound is None else bound}"
        )


if __name__ == "__main__":
    main()
