"""What the earlier nights of a unit are worth to the watch: the share of steps in the middle of a night that are seen before it ends.

python -m tests.benchmarks.trend_earlier [--nights N]

A night has 31 judged values of a direction, as 8 h of the example plan behind its first hour; neighbours are alike by 0.3; 0.05 false alarms a
night over three fixtures. The unit has had one night before: not known, on the same rig but mounted again since, or on the same mounting.
"""

import argparse
from collections.abc import Iterator

import numpy as np

from nightturn.model.tiles import Float64s
from nightturn.trend.cusum import WATCHED_FROM, Cause, Chart, Design
from nightturn.trend.following import DIRECTIONS
from nightturn.trend.run_length import Budget
from nightturn.trend.series import FOLLOWED

VALUES, STEP_AT = 31, 15
RHO = 0.3
MODES = ("nothing known", "mounted again", "same mounting")
STEPS_SD = (0.0, 2.0, 3.0, 4.0)
REMOUNTED_SD = 3.0
"""By how much a remount moves the level."""


def noise(rng: np.random.Generator, count: int) -> Float64s:
    """AR(1) values of standard deviation 1 (count,)."""
    drawn, values = rng.normal(size=count), np.empty(count)
    values[0] = drawn[0]
    for at in range(1, count):
        values[at] = RHO * values[at - 1] + np.sqrt(1 - RHO**2) * drawn[at]
    return values


def alarms(mode: str, step_sd: float, nights: int, threshold: float) -> Iterator[int]:
    """At which value of the second night the watch alarms first, from 0; nights without an alarm are left out."""
    for seed in range(nights):
        rng, chart = np.random.default_rng(seed), Chart(Design(threshold))
        before, level = noise(rng, VALUES), rng.normal(0.0, REMOUNTED_SD)
        now = noise(rng, VALUES) + step_sd * (np.arange(VALUES) >= STEP_AT)
        if mode != MODES[0]:
            for value in before.tolist():
                chart.add(value)
            if mode == MODES[1]:
                chart.restart(Cause.REMOUNT)
                now += level
            else:
                chart.missed()
        first = next(
            (at for at, value in enumerate(now.tolist()) if chart.add(value).alarm is not None), None
        )
        if first is not None:
            yield first


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--nights", type=int, default=400)
    nights = parser.parse_args().nights
    threshold = Budget(3, len(FOLLOWED) * len(DIRECTIONS), VALUES, 0.05, WATCHED_FROM).threshold
    print(
        f"{nights} nights each, threshold {threshold:.2f}; share seen in the night, median values behind the step, false alarms before it"
    )
    for step_sd in STEPS_SD:
        for mode in MODES:
            at = np.array(list(alarms(mode, step_sd, nights, threshold)), np.int64)
            seen = at[at >= STEP_AT]
            delay = f"{np.median(seen) - STEP_AT + 1:.0f}" if len(seen) else "-"
            print(
                f"step of {step_sd:.0f} sd, {mode:14} {len(seen) / nights:5.2f} {delay:>4} {len(at) - len(seen):4d}"
            )


if __name__ == "__main__":
    main()
