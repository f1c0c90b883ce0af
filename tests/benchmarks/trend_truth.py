"""Whether changes are seen as often and as soon as stated, and placed where they are; naive methods beside.

Run: `python tests/benchmarks/trend_truth.py [--nights N] [--seeds N] [--json]`. It prints; it asserts nothing.
"""

import argparse
import json
import math
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.stats import binom
from threadpoolctl import threadpool_limits

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.trend.quiet_nights import alarms, changed, fixed_threshold, frozen, noise, scored, seen

from nightturn.model.tiles import Float64s
from nightturn.trend.change_point import Kind, changes
from nightturn.trend.cusum import WATCHED_FROM, Chart, Design
from nightturn.trend.run_length import Budget, threshold_for

FIXTURES, FIGURES, VALUES, LIFE = 4, 4, 64, 8
"""A bench of sixteen series, 64 values of each a night, and units that stay mounted for eight nights."""
PAGING = 614_400.0
"""Run length of a hall: 0.05 a night over 40 fixtures, 6 figures, 2 sides and 64 values."""
RHOS = (0.0, 0.15, 0.3, 0.45, 0.6)
ADD_BOUND_US, SEARCH_BOUND_MS = 50.0, 5.0
COVERAGE_MIN = 0.88
REPEATS = 7


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that was counted: ours, the naive methods, the bound and whether it is met; None where none is set."""

    what: str
    ours: str
    naive: str
    bound: str
    met: bool | None


def budget(rate: float) -> Budget:
    return Budget(FIXTURES, FIGURES, VALUES, rate, watched_from=WATCHED_FROM)


def expected(rate: float, nights: int) -> float:
    """False alarms over lives of eight nights, each with its first."""
    return nights / LIFE * sum(budget(rate).expected(night * VALUES) for night in range(LIFE))


def false_alarms(nights: int) -> Iterator[Row]:
    """Counted over expected, by resemblance; at 0.05 a night all of them together."""
    series = nights // LIFE * FIXTURES * FIGURES
    rare = 0
    for number, rho in enumerate(RHOS):
        values = noise(np.random.default_rng([1, number]), rho, LIFE * VALUES, series)
        scores = scored(values)
        rare += int(alarms(scores, budget(0.05).threshold, WATCHED_FROM).sum())
        yield rate_row(f"1 a night, rho {rho:g}", values, scores, nights)
    chance = expected(0.05, nights) / (nights * FIXTURES * FIGURES)
    trials = nights * FIXTURES * FIGURES * len(RHOS)
    low, high = binom.interval(0.999, trials, chance)
    yield Row(
        "0.05 a night, every rho together",
        f"{rare} of {chance * trials:.0f} expected",
        "",
        f"{low:.0f} to {high:.0f}",
        bool(low <= rare <= high),
    )


def rate_row(what: str, values: Float64s, scores: Float64s, nights: int, *, bound: bool = True) -> Row:
    wanted = expected(1.0, nights)
    ours = alarms(scores, budget(1.0).threshold, WATCHED_FROM).sum() / wanted
    usual = alarms(frozen(values, WATCHED_FROM), budget(1.0).threshold, WATCHED_FROM).sum() / wanted
    single = fixed_threshold(values, WATCHED_FROM, budget(1.0).run_length) / wanted
    return Row(
        what,
        f"{ours:.2f} times as stated (±{1 / math.sqrt(wanted):.2f})",
        f"fixed limit {single:.1f}, CUSUM {usual:.0f} times",
        "0.9 to 1.1" if bound else "-",
        bool(0.9 <= ours <= 1.1) if bound else None,
    )


def other_noises(nights: int) -> Iterator[Row]:
    """What the statement does not cover: tails heavier than normal, and noise that wanders."""
    series = nights // LIFE * FIXTURES * FIGURES
    rng = np.random.default_rng(2)
    values = rng.standard_t(6, (LIFE * VALUES, series))
    yield rate_row("1 a night, tails of t with 6", values, scored(values), nights, bound=False)
    values = noise(rng, 0.85, LIFE * VALUES, series)
    yield rate_row("1 a night, rho 0.85", values, scored(values), nights, bound=False)


def delays(seeds: int) -> Iterator[Row]:
    """Median delay and what was missed within 150 values, beside a CUSUM that knows all but the level."""
    for run_length, name in ((budget(0.05).run_length, "bench"), (PAGING, "hall")):
        threshold = threshold_for(run_length)
        for rho in (0.0, 0.3):
            for baseline in (60, 150):
                for size in (1.0, 2.0, 3.0):
                    yield delay_row(f"{name}, rho {rho:g}, baseline {baseline}, step {size:g} sd", rho, baseline, size, threshold, seeds)  # fmt: skip
        made = changed(np.random.default_rng(4), 0.3, (400, seeds), lambda n: np.maximum(n - 100, 0.0) / 40)
        found = seen(scored(made), threshold, WATCHED_FROM, 100)
        yield Row(
            f"{name}, rho 0.3, ramp of 1 sd in 40",
            f"{found.median:g} values, {found.missed:.0%} missed",
            "",
            "-",
            None,
        )


def delay_row(what: str, rho: float, baseline: int, size: float, threshold: float, seeds: int) -> Row:
    rng = np.random.default_rng(3)
    made = changed(rng, rho, (baseline + 150, seeds), lambda n: np.where(n >= baseline, size, 0.0))
    found = seen(scored(made), threshold, WATCHED_FROM, baseline)
    whitened = np.empty_like(made)
    whitened[0] = made[0]
    whitened[1:] = (made[1:] - rho * made[:-1]) / math.sqrt(1.0 - rho * rho)
    known = seen(whitened, threshold, WATCHED_FROM, baseline)
    return Row(
        what,
        f"{found.median:g} values, {found.missed:.0%} missed",
        f"all known: {known.median:g}, {known.missed:.0%}",
        "-",
        None,
    )


def places(seeds: int) -> Iterator[Row]:
    """Coverage of 90 % sets and of the size's interval, among the series in which the change was found."""
    shapes: dict[str, tuple[Kind, Callable[[Float64s], Float64s], float]] = {
        "step of 1 sd": (Kind.STEP, lambda n: np.where(n >= 120, 1.0, 0.0), 1.0),
        "step of 2 sd": (Kind.STEP, lambda n: np.where(n >= 120, 2.0, 0.0), 2.0),
        "ramp to 4 sd": (Kind.BEND, lambda n: np.maximum(n - 120, 0.0) / 20, 1 / 20),
    }
    for rho in (0.0, 0.3, 0.6):
        for name, (kind, shape, size) in shapes.items():
            made = changed(np.random.default_rng(5), rho, (200, seeds), shape)
            yield place_row(f"set of a {name}, rho {rho:g}", made, kind, size)
        quiet = noise(np.random.default_rng(6), rho, 200, seeds)
        count = sum(bool(changes(quiet[:, number])) for number in range(seeds))
        yield Row(f"quiet series with a change, rho {rho:g}", f"{count / seeds:.1%}", "", "-", None)


def place_row(what: str, made: Float64s, kind: Kind, size: float) -> Row:
    shown, naive, series = [], 0, 0
    for number in range(made.shape[1]):
        found_here = changes(made[:, number])
        series += bool(found_here)
        for found in found_here:
            shown += [each for each in (found.change, found.other) if each is not None and each.kind is kind]
        naive += 120 in least_squares_set(made[:, number])
    found_share = series / made.shape[1]
    held = sum(120 in each.places for each in shown) / max(len(shown), 1)
    sized = sum(abs(each.size - size) < 1.96 * each.u for each in shown) / max(len(shown), 1)
    width = float(np.mean([len(each.places) for each in shown])) if shown else 0.0
    return Row(
        what,
        f"{held:.2f} hold it, {width:.0f} wide; size {sized:.2f}; found {found_share:.0%}",
        f"as if white: {naive / made.shape[1]:.2f}" if kind is Kind.STEP else "",
        f">= {COVERAGE_MIN}",
        held >= COVERAGE_MIN if found_share > 0.5 else None,
    )


def least_squares_set(values: Float64s) -> set[int]:
    """The 90 % set of a step by least squares alone, as if values did not resemble each other."""
    n = len(values)
    at = np.arange(8, n - 7)
    sums = np.cumsum(values)
    gain = (sums[at - 1] - at * sums[-1] / n) ** 2 / (at * (n - at) / n) / values.var(ddof=1)
    share = np.exp(0.5 * (gain - gain.max()))
    ranked = np.argsort(-share)
    count = int(np.searchsorted(np.cumsum(share[ranked]) / share.sum(), 0.9)) + 1
    return set(at[ranked[:count]].tolist())


def speeds() -> Iterator[Row]:
    """CPU time of a value and of a search, best of several."""
    values = noise(np.random.default_rng(7), 0.3, 1000, 1)[:, 0]

    def add() -> None:
        chart = Chart(Design(threshold=1e9))
        for value in values.tolist():
            chart.add(value)

    stepped = values + np.where(np.arange(1000) >= 600, 1.0, 0.0)
    adding, quiet, found = best_of(add), best_of(lambda: changes(values)), best_of(lambda: changes(stepped))
    yield Row("a value into a chart", f"{adding:.0f} us", "", f"<= {ADD_BOUND_US:g} us", adding <= ADD_BOUND_US)  # fmt: skip
    yield Row("1000 quiet values searched", f"{quiet:.1f} ms", "", f"<= {SEARCH_BOUND_MS:g} ms", quiet <= SEARCH_BOUND_MS)  # fmt: skip
    yield Row("1000 values with a step, all of it", f"{found:.1f} ms", "", "-", None)


def best_of(job: Callable[[], object]) -> float:
    """Least CPU milliseconds of several runs."""
    times = []
    for _ in range(REPEATS):
        before = time.process_time()
        job()
        times.append(time.process_time() - before)
    return min(times) * 1e3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=2000, help="quiet nights for each noise")
    parser.add_argument("--seeds", type=int, default=300, help="series for each delay and each set")
    parser.add_argument("--json", action="store_true", help="rows for a program")
    given = parser.parse_args()
    with threadpool_limits(1):
        for part in (
            false_alarms(given.nights),
            other_noises(given.nights),
            delays(given.seeds),
            places(given.seeds),
            speeds(),
        ):
            for row in part:
                if given.json:
                    print(json.dumps(asdict(row)), flush=True)
                else:
                    mark = {True: "met", False: "BROKEN", None: ""}[row.met]
                    print(f"{row.what:46} {row.ours:52} {row.naive:38} {row.bound:12} {mark}", flush=True)


if __name__ == "__main__":
    main()
