"""How fast a load history takes samples of torque and of temperature: `python tests/benchmarks/load_speed.py [--json]`.

The signal is of the kind that the virtual fixture gives: strokes with friction, ripple, white noise, 10 kS/s, 24-bit counts. It prints
million samples a CPU second, best of several, with the bound beside each; it asserts nothing.
"""

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass

import msgspec
import numpy as np

from nightturn.model.tiles import Int32s
from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import Classes

RATE_HZ = 10_000
SECONDS = 200
REPEATS = 3
BOUND_MS_S = 5.0
COUNTS_PER_NM = 300_000
STROKE_S = 2.0
TURN_S = 4.0


@dataclass(frozen=True, slots=True)
class Speed:
    """One timing: million samples a CPU second, how many turning points they had, and the bound."""

    signal: str
    gate_counts: int
    tile: int
    turns: int
    ms_s: float
    bound_ms_s: float
    met: bool


def torque(noise_nm: float) -> Int32s:
    """Friction that changes its sign with each stroke, ripple at 24x and 96x, and white noise, as counts."""
    t_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    sense = np.sign(np.sin(np.pi * t_s / STROKE_S))
    turns = t_s / TURN_S
    nm = 0.8 * sense + 0.045 * np.sin(2 * np.pi * 24 * turns) + 0.01 * np.sin(2 * np.pi * 96 * turns)
    noise = np.random.default_rng(1).normal(0.0, noise_nm, len(t_s))
    return np.rint((nm + noise) * COUNTS_PER_NM).astype(np.int32)


def temperature() -> Int32s:
    """A winding that warms and cools by 20 K in an hour, noise of 20 mK, in steps of 10 mK, as if read at the rate of torque."""
    t_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    kelvin = 40 + 20 * np.sin(2 * np.pi * t_s / 3600) + np.random.default_rng(2).normal(0, 0.02, len(t_s))
    return np.rint(kelvin * 100).astype(np.int32)


def took(counts: Int32s, settings: LoadSettings, tile: int) -> tuple[int, float]:
    """Turning points, and least CPU seconds of several runs."""
    times, turns = [], 0
    for _ in range(REPEATS):
        history = LoadHistory.start(settings)
        before = time.process_time()
        for at in range(0, len(counts), tile):
            history.add(counts[at : at + tile])
        times.append(time.process_time() - before)
        turns = history.turns
    return turns, min(times)


def speeds() -> list[Speed]:
    """Little and much noise, gates from any movement to far above the noise, tiles of the live station and of re-analysis."""
    nm = LoadSettings(
        gate_counts=1,
        classes=Classes(-600_000, 18_750),
        rate_hz=RATE_HZ,
        over_counts=280_000,
        under_counts=-280_000,
        release_counts=5_000,
    )
    kelvin = LoadSettings(gate_counts=1, classes=Classes(0, 200), rate_hz=RATE_HZ, over_counts=5_500)
    cases: list[tuple[str, Int32s, LoadSettings, tuple[int, ...]]] = [
        (f"torque, noise {1e3 * noise:g} mN·m", torque(noise), nm, (1, 3_000, 15_000))
        for noise in (0.004, 0.04)
    ]
    cases.append(("temperature", temperature(), kelvin, (1, 20)))
    out = []
    for name, counts, settings, gates in cases:
        for gate in gates:
            for tile in (1_000, 20_000):
                gated = msgspec.structs.replace(settings, gate_counts=gate)
                turns, seconds = took(counts, gated, tile)
                ms_s = len(counts) / seconds / 1e6
                out.append(Speed(name, gate, tile, turns, ms_s, BOUND_MS_S, met=ms_s >= BOUND_MS_S))
    return out


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    options = parser.parse_args()
    found = speeds()
    if options.json:
        json.dump([asdict(each) for each in found], sys.stdout, indent=2)
        print()
        return
    print(f"{'signal':26} {'gate':>7} {'tile':>6} {'turns':>8} {'MS/s':>7} {'bound':>6}  met")
    for each in found:
        print(
            f"{each.signal:26} {each.gate_counts:7d} {each.tile:6d} {each.turns:8d} {each.ms_s:7.1f} "
            f"{each.bound_ms_s:6g}  {'yes' if each.met else 'NO'}"
        )


if __name__ == "__main__":
    main()
