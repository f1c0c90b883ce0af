"""How fast the folds and `finish` are, and how far figures and their intervals are from the truth.

Run: `python tests/benchmarks/estimation_speed.py [--json] [--seeds N]`. It prints; it asserts nothing.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.estimation.synthetic import Bench, Recording, clean, cycles_of, record

from nightturn.estimation.cycles import Estimator
from nightturn.estimation.finish import finish_cycle
from nightturn.estimation.quantiles import CONFIDENCE, coverage_factor

FAST = Bench(rate_hz=10_000, slow_rpm=3.0, hold_rpm=3.0, strokes=8, stroke_deg=270)
SMALL = Bench(rate_hz=2_000)
REPEATS = 5
FINISH_BOUND_MS = 15.0
TILE_1000_BOUND_US = 60.0
TILE_20K_BOUND_MS_S = 30.0
TEN_TURNS_BIAS_BOUND_PCT = 1.0
FIGURES = ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm", "friction_nm")


@dataclass(frozen=True, slots=True)
class Speed:
    """One timing in CPU time, best of several: the value, its unit and what it should be."""

    what: str
    value: float
    unit: str
    bound: str
    met: bool


@dataclass(frozen=True, slots=True)
class Accuracy:
    """One figure in one kind of noise: bias and scatter in % of truth, and the share of intervals that hold it."""

    case: str
    figure: str
    seeds: int
    bias_pct: float
    sd_pct: float
    coverage: float
    band: tuple[float, float] | None
    met: bool | None


def best_of(job: Callable[[], object]) -> float:
    """Least CPU seconds of several runs."""
    times = []
    for _ in range(REPEATS):
        before = time.process_time()
        job()
        times.append(time.process_time() - before)
    return min(times)


def fold_seconds(recording: Recording, tile: int, start: int, stop: int) -> float:
    """CPU seconds of scan and folds over part of a recording, in tiles of this size."""
    tiles = [recording.tile(a, min(a + tile, stop)) for a in range(start, stop, tile)]

    def job() -> None:
        estimator = Estimator.start(recording.bench.settings(), 1)
        for each in tiles:
            estimator.add(each)

    return best_of(job)


def speeds() -> list[Speed]:
    """Folds over whole cycles, and `finish` of one."""
    recording = record(FAST)
    n = len(recording.raw)
    small = fold_seconds(recording, 1000, 0, n)
    large = fold_seconds(recording, 20_000, 0, n)
    per_tile = small / (n / 1000) * 1e6
    (sums,) = cycles_of(recording)
    conditions = FAST.conditions()
    took = best_of(lambda: finish_cycle(sums, conditions, 0, 0, 0, 0)) * 1e3
    stood = replace(recording, encoder=np.zeros_like(recording.encoder))
    standing = fold_seconds(stood, 1000, 0, n) / (n / 1000) * 1e6
    return [
        Speed(
            "fold, tile 1000",
            per_tile,
            "us/tile",
            f"<= {TILE_1000_BOUND_US:g}",
            met=per_tile <= TILE_1000_BOUND_US,
        ),
        Speed("fold, tile 1000", n / small / 1e6, "MS/s", "-", met=True),
        Speed("standing, tile 1000", standing, "us/tile", "< fold", met=standing < per_tile),
        Speed(
            "fold, tile 20000",
            n / large / 1e6,
            "MS/s",
            f">= {TILE_20K_BOUND_MS_S:g}",
            met=n / large / 1e6 >= TILE_20K_BOUND_MS_S,
        ),
        Speed("finish, 3 x 2 + 3 turns", took, "ms", f"<= {FINISH_BOUND_MS:g}", met=took <= FINISH_BOUND_MS),
    ]


def accuracy(case: str, bench: Bench, seeds: int, *, white: bool) -> list[Accuracy]:
    """Errors and coverage over fixed seeds; the binomial band is promised in white noise only."""
    source, conditions = clean(bench), bench.conditions()
    truths = (bench.true_ripple_pp(), bench.true_ripple_rms(), bench.true_cogging_pp(), bench.friction_nm)
    errors = {name: np.zeros(seeds) for name in FIGURES}
    holds = {name: np.zeros(seeds, np.bool_) for name in FIGURES}
    for seed in range(seeds):
        (sums,) = cycles_of(source.recorded(seed))
        found = finish_cycle(sums, conditions, 0, 0, 0, 0)
        for name, true in zip(FIGURES, truths, strict=True):
            figure = found.figure(name)
            assert figure.value is not None
            assert figure.u is not None
            assert figure.nu is not None
            errors[name][seed] = figure.value / true - 1
            wide = coverage_factor(figure.nu) * figure.u
            holds[name][seed] = abs(figure.value - true) <= wide
    low, high = (float(binom.ppf(p, seeds, CONFIDENCE)) / seeds for p in (0.0005, 0.9995))
    band = (low, high) if white else None
    out = []
    for name in FIGURES:
        share = float(holds[name].mean())
        bias, sd = 100 * float(errors[name].mean()), 100 * float(errors[name].std())
        met = band[0] <= share <= band[1] if band else None
        out.append(Accuracy(case, name, seeds, bias, sd, share, band, met))
    return out


def cases(seeds: int) -> list[Accuracy]:
    """White noise little and much, slow noise little and much, and ten turns at a noise of 0.3 p-p."""
    out = []
    for noise in (0.004, 0.040):
        bench = replace(SMALL, noise_nm=noise, lag_s=0.002)
        out += accuracy(f"white {1e3 * noise:g} mN·m", bench, seeds, white=True)
    for slow in (0.001, 0.003):
        bench = replace(SMALL, noise_nm=0.004, flicker_nm=slow, lag_s=0.002)
        out += accuracy(f"white 4, 1/f {1e3 * slow:g} mN·m rms", bench, seeds, white=False)
    noisy = replace(SMALL, hold_turns=10.0, noise_nm=0.3 * SMALL.true_ripple_pp())
    out += accuracy("noise/p-p 0.3, hold 10 turns", noisy, max(seeds // 4, 20), white=True)
    return out


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument("--seeds", type=int, default=400, help="seeds for each case")
    options = parser.parse_args()
    timings, errors = speeds(), cases(options.seeds)
    ten = [e for e in errors if "10 turns" in e.case and e.figure == "ripple_pp_nm"]
    timings += [
        Speed(
            "bias of ripple p-p, " + e.case,
            e.bias_pct,
            "%",
            f"<= {TEN_TURNS_BIAS_BOUND_PCT:g}",
            met=abs(e.bias_pct) <= TEN_TURNS_BIAS_BOUND_PCT,
        )
        for e in ten
    ]
    if options.json:
        json.dump(
            {"speed": [asdict(t) for t in timings], "accuracy": [asdict(e) for e in errors]},
            sys.stdout,
            indent=2,
        )
        print()
        return
    print(f"{'what':52} {'value':>10} {'unit':8} {'bound':>8}  met")
    for t in timings:
        print(f"{t.what:52} {t.value:10.2f} {t.unit:8} {t.bound:>8}  {'yes' if t.met else 'NO'}")
    print(
        f"\n{'case':32} {'figure':14} {'seeds':>5} {'bias %':>8} {'sd %':>7} {'cover':>6} {'band':>13}  met"
    )
    for e in errors:
        band = f"{e.band[0]:.3f}-{e.band[1]:.3f}" if e.band else "-"
        met = "-" if e.met is None else ("yes" if e.met else "NO")
        print(
            f"{e.case:32} {e.figure:14} {e.seeds:5d} {e.bias_pct:+8.3f} {e.sd_pct:7.3f} {e.coverage:6.3f} "
            f"{band:>13}  {met}"
        )


if __name__ == "__main__":
    main()
