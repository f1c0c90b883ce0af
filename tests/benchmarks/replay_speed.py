"""How fast tapes replay: in full, with every effect, and figures only.

    python tests/benchmarks/replay_speed.py [--rates 10000 1000] [--json]

Records a healthy unit in virtual time at the live cadence (control every 100 ms, blocks of 100 samples, tiles of 1000;
two cycles of more than 200 s) and replays the tape; CPU time, the best of several passes. The bounds hold at
10 kS/s, where blocks are the work; at 1 kS/s it is the control traffic. Orientation, not a test.
"""

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from replay_logs.make import SCENES, record

from nightturn.estimation.fingerprint import fingerprint
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import Tape
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn
from nightturn.storage.segment import read_segment

PLAN = CyclePlan(
    slow_turn=SlowTurn(revolutions=2, speed_rpm=3.0),
    hold=Hold(torque_nm=5.0, revolutions=3, speed_rpm=3.0),
    exercise=Exercise(strokes=8, angle_deg=270.0, speed_rpm=12.0),
    cycles=2,
)
BOUND_RATE_HZ = 10_000
BOUNDS_MS_PER_S = {"full": 4.0, "figures": 8.0}
PASSES = 5


class Speed(NamedTuple):
    """One form of replay at one rate."""

    rate_hz: int
    form: str
    samples: int
    seconds: float
    ms_per_s: float
    us_per_block: float
    bound_ms_per_s: float | None
    holds: bool | None


def best_s(job: Callable[[], object]) -> float:
    """CPU seconds of the fastest pass."""
    fastest = float("inf")
    for _ in range(PASSES):
        began_s = time.process_time()
        job()
        fastest = min(fastest, time.process_time() - began_s)
    return fastest


def speeds(rate_hz: int) -> list[Speed]:
    """Scan of the tape, full replay and figures replay at one rate."""
    scene = replace(SCENES[0], plan=PLAN, rate_hz=rate_hz)
    fingerprint()  # loads the numeric libraries
    with tempfile.TemporaryDirectory() as folder:
        files = record(scene, Path(folder)).segments
        tape = Tape(f"{rate_hz} S/s", files)
        seen = replay(tape)
        assert not seen.first_difference, seen.first_difference
        assert len(seen.rows.cycles) == PLAN.cycles
        jobs: dict[str, Callable[[], object]] = {
            "scan": lambda: [sum(1 for _ in read_segment(path.read_bytes()).records()) for path in files],
            "full": lambda: replay(tape),
            "figures": lambda: replay_figures(tape),
        }
        return [_speed(rate_hz, form, seen.samples, best_s(job)) for form, job in jobs.items()]


def _speed(rate_hz: int, form: str, samples: int, seconds: float) -> Speed:
    ms_per_s = samples / seconds / 1e6
    bound = BOUNDS_MS_PER_S.get(form) if rate_hz == BOUND_RATE_HZ else None
    holds = None if bound is None else ms_per_s >= bound
    return Speed(rate_hz, form, samples, seconds, ms_per_s, seconds / samples * 1e8, bound, holds)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rates", type=int, nargs="+", default=[10_000, 1_000])
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    found = [speed for rate_hz in arguments.rates for speed in speeds(rate_hz)]
    if arguments.json:
        print(json.dumps([speed._asdict() for speed in found]))
        return
    print("rate S/s  form        samples   CPU s    MS/s  us/block   bound MS/s")
    for speed in found:
        word = {None: "", True: "ok", False: "MISSED"}[speed.holds]
        bound = "" if speed.bound_ms_per_s is None else f"{speed.bound_ms_per_s:.0f} {word}"
        print(
            f"{speed.rate_hz:8d}  {speed.form:8} {speed.samples:10d} {speed.seconds:7.3f} {speed.ms_per_s:7.2f} "
            f"{speed.us_per_block:9.1f}   {bound}"
        )


if __name__ == "__main__":
    main()
