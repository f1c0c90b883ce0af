"""Whether slopes, trend tests, temperature corrections and bounds on a limit hold what their 95 % says, on series whose truth is known.

Run: `python tests/benchmarks/slope_truth.py [--seeds N]`; some minutes. Each line has its bound beside it; a broken one is marked, and
the exit code is then 1. Beside the product's interval stand plain least squares, the covariance of Newey and West (1987) with the lags
of their rule and at least 1.3 √n, and generalised least squares with an estimated autocorrelation.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.trend.noises import WAYS, alike, even, first_order, noise, room

from nightturn.estimation.quantiles import coverage_factor, t_quantile
from nightturn.model.tiles import Float64s
from nightturn.trend.block_means import autocorrelation, block_means, straight_residual
from nightturn.trend.mann_kendall import mann_kendall
from nightturn.trend.slope import Axis, NoSlope, Slope, slope
from nightturn.trend.temperature import NoTemperatureModel, correction, temperature_model
from nightturn.trend.temperature_curves import Kind
from nightturn.trend.time_to_limit import time_to_limit

COVERED = (0.90, 0.99)
FALSE_ALARMS = (0.0, 0.10)
RHO_BIAS = (-0.1, 0.1)
BOUND_HOLDS = (0.92, 1.0)
CHOSEN_RIGHT = (0.80, 1.0)
POINTS = (30, 60, 200)
RHOS = (0.0, 0.4, 0.7)
TRUE_SLOPE, TRUE_LEVEL, STEP = 2e-3, 3.0, 10.0
Line = tuple[str, float, tuple[float, float], str]


def main() -> int:
    """Print every table; 1 where a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=300)
    seeds = parser.parse_args().seeds
    broken = 0
    tables: tuple[Callable[[int], Iterator[Line]], ...] = (
        slopes,
        ranks,
        blocks,
        temperatures,
        poor_baselines,
        limits,
    )
    for table in tables:
        print(f"\n{table.__doc__}")
        for name, found, (low, high), beside in table(seeds):
            # A bias is no share: nothing is allowed beside its bound.
            below, above = (0.0, 0.0) if low < 0 else (chance(low, seeds), chance(high, seeds))
            met = low - below <= found <= high + above
            broken += not met
            print(
                f"{name:44} {found:7.3f}  {low:.2f} to {high:.2f} {'' if met else 'BROKEN'}  {beside}",
                flush=True,
            )
    print(
        f"\n{broken} bounds broken by more than chance allows (three standard deviations of the bound's share)"
    )
    return int(broken > 0)


def chance(bound: float, seeds: int) -> float:
    """Three standard deviations of a share of so many, where a share of the bound is meant."""
    share = min(max(bound, 0.0), 1.0)
    return 3 * float(np.sqrt(share * (1 - share) / seeds))


def slopes(seeds: int) -> Iterator[Line]:
    """Coverage of the slope's 95 % interval, and of the level's; naive methods beside it."""
    for way in WAYS:
        for count in POINTS:
            for rho in RHOS:
                rng = np.random.default_rng([count, int(100 * rho), WAYS.index(way)])
                at = even(count, STEP)
                hits, levels, naive, none = [], [], [], 0
                for _ in range(seeds):
                    errors, u = noise(rng, count, rho, way)
                    value = TRUE_LEVEL + TRUE_SLOPE * at + errors
                    naive.append([abs(b - TRUE_SLOPE) <= half for b, half in naive_slopes(at, value, u)])
                    found = slope(at, value, u, axis=Axis.STROKES)
                    if isinstance(found, NoSlope):
                        none += 1
                        continue
                    hits.append(abs(found.slope - TRUE_SLOPE) <= found.half_width)
                    truth = TRUE_LEVEL + TRUE_SLOPE * at[-1]
                    levels.append(abs(found.level - truth) <= coverage_factor(found.nu) * found.level_u)
                ols, hac, plug = np.mean(naive, axis=0)
                beside = f"least squares {ols:.2f}, Newey-West {hac:.2f}, one rho {plug:.2f}; refused {none / seeds:.2f}"
                yield f"slope {way} n={count} rho={rho}", float(np.mean(hits)), COVERED, beside
                yield f"level {way} n={count} rho={rho}", float(np.mean(levels)), COVERED, ""


def naive_slopes(at: Float64s, value: Float64s, u: Float64s) -> Iterator[tuple[float, float]]:
    """Slope and half-width by plain least squares, by Newey and West, and with one estimated autocorrelation."""
    count = len(at)
    columns = np.column_stack((np.ones(count), at - at.mean()))
    t = t_quantile(0.975, count - 2)
    inverse = np.linalg.inv((columns / u[:, None] ** 2).T @ columns)
    x = inverse @ (columns.T @ (value / u**2))
    left = (value - columns @ x) / u
    yield float(x[1]), t * float(np.sqrt(left @ left / (count - 2) * inverse[1, 1]))
    scores = columns / u[:, None] * left[:, None]
    lags = max(int(4 * (count / 100) ** (2 / 9)), int(1.3 * np.sqrt(count)))
    middle = scores.T @ scores
    for lag in range(1, lags + 1):
        both = scores[lag:].T @ scores[:-lag]
        middle += (1 - lag / (lags + 1)) * (both + both.T)
    yield float(x[1]), t * float(np.sqrt((inverse @ middle @ inverse)[1, 1] * count / (count - 2)))
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    inverse_noise = np.linalg.inv(autocorrelation(left) ** apart * u[:, None] * u)
    inverse = np.linalg.inv(columns.T @ inverse_noise @ columns)
    x = inverse @ (columns.T @ inverse_noise @ value)
    left = value - columns @ x
    yield float(x[1]), t * float(np.sqrt(left @ inverse_noise @ left / (count - 2) * inverse[1, 1]))


def ranks(seeds: int) -> Iterator[Line]:
    """False alarms of the trend by ranks where there is none, and coverage of its slope; without the correction beside it."""
    for count in POINTS:
        for rho in RHOS:
            rng = np.random.default_rng([count, int(100 * rho), 9])
            at = even(count, STEP)
            found = [
                (mann_kendall(at, e), mann_kendall(at, e, lags=0))
                for e in (alike(rng, count, rho) for _ in range(seeds))
            ]
            plain = np.mean([each.significant for _, each in found])
            alarms = float(np.mean([each.significant for each, _ in found]))
            yield f"false alarms n={count} rho={rho}", alarms, FALSE_ALARMS, f"as if independent {plain:.2f}"
            held = float(np.mean([each.low <= 0 <= each.high for each, _ in found]))
            yield f"slope by ranks n={count} rho={rho}", held, (COVERED[0], 1.0), ""


def blocks(seeds: int) -> Iterator[Line]:
    """Bias of the autocorrelation, and how often the mean of a block lies within its 95 %."""
    for count in (60, 200):
        for rho in RHOS:
            rng = np.random.default_rng([count, int(100 * rho), 10])
            at = even(count, STEP)
            found, held = [], []
            for _ in range(seeds):
                errors = alike(rng, count, rho)
                found.append(autocorrelation(straight_residual(at, errors, np.ones(count))))
                means = block_means(at, TRUE_LEVEL + errors)
                held += [abs(v - TRUE_LEVEL) <= 1.96 * u for v, u in zip(means.value, means.u, strict=True)]
            yield f"bias of rho n={count} rho={rho}", float(np.mean(found)) - rho, RHO_BIAS, ""
            yield f"block mean n={count} rho={rho}", float(np.mean(held)), (0.88, 0.99), ""


def temperatures(seeds: int) -> Iterator[Line]:
    """Which model is chosen on a baseline of 120 cycles, and the slope of what comes after it with the correction's uncertainty."""
    hours, cycles = even(120, 0.1125), even(120, 50.0)
    degc = room(hours)
    behind = first_order(hours, degc, 0.8)
    later = even(60, 0.1125, 0.1125 * 120)
    warming = even(60, 4 / 60, 22.0)
    behind_later = first_order(later, warming, 0.8)
    effects: dict[str, Callable[[Float64s, Float64s], Float64s]] = {
        "none": lambda read, _: 0 * read,
        "linear": lambda read, _: -1.2e-3 * (read - 24),
        "viscous": lambda read, _: 30e-3 * np.expm1(-0.06 * (read - 24)),
        "viscous, lag": lambda _, inside: 30e-3 * np.expm1(-0.06 * (inside - 24)),
    }
    for rho in (0.0, 0.5):
        for name, effect in effects.items():
            rng = np.random.default_rng([int(100 * rho), len(name)])
            right: list[bool] = []
            held: list[bool] = []
            bare: list[bool] = []
            refused = 0
            for _ in range(seeds):
                value = 0.1 + 1e-7 * cycles + effect(degc, behind) + 3e-4 * alike(rng, 120, rho)
                model = temperature_model(hours, cycles, value, degc)
                after = (
                    0.1
                    + 2e-6 * (later - later[0])
                    + effect(warming, behind_later)
                    + 3e-4 * alike(rng, 60, rho)
                )
                if isinstance(model, NoTemperatureModel):
                    refused += 1
                    continue
                right.append(
                    model.curve.kind is Kind(name.partition(",")[0])
                    and (model.curve.lag_h > 0) == ("lag" in name)
                )
                off = correction(model, later, warming)
                for shift, common, into in ((off.shift, off.common, held), (off.shift, None, bare)):
                    found = slope(later, after - shift, axis=Axis.HOURS, common=common, common_nu=off.nu)
                    if isinstance(found, Slope):
                        into.append(abs(found.slope - 2e-6) <= found.half_width)
            yield f"chosen right: {name} rho={rho}", float(np.mean(right)), CHOSEN_RIGHT, f"refused {refused}"
            beside = f"without the correction's u {np.mean(bare):.2f}"
            yield f"slope after correction: {name} rho={rho}", float(np.mean(held)), (COVERED[0], 1.0), beside


def poor_baselines(seeds: int) -> Iterator[Line]:
    """The same after 60 cycles over 3 K, too few to see that the curve bends: what is not known of the correction matters."""
    hours, cycles, later = even(60, 0.1125), even(60, 50.0), even(150, 0.1125, 20.0)
    degc, warming = room(hours, 1.5, 5.0), even(150, 3 / 150, 22.5)
    for rho in (0.0, 0.5):
        rng = np.random.default_rng([3, int(100 * rho)])
        held: list[bool] = []
        bare: list[bool] = []
        for _ in range(seeds):
            value = 0.1 + 30e-3 * np.expm1(-0.06 * (degc - 24)) + 6e-4 * alike(rng, 60, rho)
            model = temperature_model(hours, cycles, value, degc)
            after = 2e-5 * later + 30e-3 * np.expm1(-0.06 * (warming - 24)) + 6e-4 * alike(rng, 150, rho)
            if isinstance(model, NoTemperatureModel):
                continue
            off = correction(model, later, warming)
            for common, into in ((off.common, held), (None, bare)):
                found = slope(later, after - off.shift, axis=Axis.HOURS, common=common, common_nu=off.nu)
                if isinstance(found, Slope):
                    into.append(abs(found.slope - 2e-5) <= found.half_width)
        beside = f"without the correction's u {np.mean(bare):.2f}, refused {1 - len(held) / seeds:.2f}"
        yield f"slope after a poor baseline rho={rho}", float(np.mean(held)), (COVERED[0], 1.0), beside


def limits(seeds: int) -> Iterator[Line]:
    """How often a limit is not reached before the one-sided 95 % bound, with the true crossing so many spans ahead."""
    for ahead in (0.3, 1.0, 2.5, 10.0):
        for rho in RHOS:
            rng = np.random.default_rng([int(10 * ahead), int(100 * rho)])
            at = even(60, STEP)
            span = at[-1]
            held, ratio, capped = [], [], 0
            for _ in range(seeds):
                errors = 0.15 * alike(rng, 60, rho)
                found = slope(at, TRUE_SLOPE * at + errors, axis=Axis.STROKES)
                if isinstance(found, NoSlope):
                    continue
                left = time_to_limit(found, TRUE_SLOPE * span * (1 + ahead))
                held.append(left.not_before <= ahead * span)
                ratio.append(left.not_before / (ahead * span))
                capped += left.capped
            beside = f"median bound {np.median(ratio):.2f} of the truth, capped {capped / len(held):.2f}"
            yield f"limit {ahead} spans ahead rho={rho}", float(np.mean(held)), BOUND_HOLDS, beside


if __name__ == "__main__":
    sys.exit(main())
