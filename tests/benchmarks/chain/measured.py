"""How the figures of the virtual plant scatter from cycle to cycle, and draws of it.

Found by `python -m tests.benchmarks.chain.measured ROOT FIXTURE` on a stored night of the demo: 90 cycles of the healthy fixture, behind
those that warm it up, each figure in each direction without a parabola over time and a line over temperature. `sd` is what is left, `alike` the
correlation of neighbours in one direction, `u` the median of the cycles' own standard uncertainty; of both directions the larger.
"""

import math
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from nightturn.estimation.figures import COGGING_PP, FRICTION, MEAN_TORQUE, RIPPLE_PP, RIPPLE_RMS, ZERO
from nightturn.model.tiles import Float64s
from nightturn.storage.reader import Run

WARMING = 60
"""Cycles in which the demo's fixtures warm up."""


class Scatter(NamedTuple):
    """Standard deviation, median of the cycles' own standard uncertainty, and level, N·m; correlation of neighbours."""

    sd_nm: float
    alike: float
    u_nm: float
    level_nm: float


PLANT = {
    FRICTION: Scatter(5.0e-5, 0.02, 3.8e-5, 0.0888),
    ZERO: Scatter(1.6e-4, 0.06, 2.5e-5, 0.0585),
    MEAN_TORQUE: Scatter(2.4e-4, -0.25, 1.8e-4, 4.91),
    RIPPLE_PP: Scatter(1.1e-4, 0.03, 1.1e-4, 0.0809),
    RIPPLE_RMS: Scatter(7.0e-6, 0.01, 6.6e-6, 0.0174),
    COGGING_PP: Scatter(7.1e-5, -0.04, 8.0e-5, 0.0692),
}
"""What the module prints of such a night. Its plan measures no breakaway torque."""
ALIKE_MAX = 0.3
"""What 45 cycles a direction do not exclude: two standard errors of a correlation; each night draws its own up to this."""


def course(rng: np.random.Generator, alike: float, cycles: int) -> Float64s:
    """AR(1) noise with standard deviation 1 (cycles,)."""
    drawn = rng.normal(size=cycles)
    made = np.empty(cycles)
    made[0] = drawn[0]
    for k in range(1, cycles):
        made[k] = alike * made[k - 1] + math.sqrt(1 - alike * alike) * drawn[k]
    return made


def measured(cycles: pd.DataFrame, figure: str) -> Scatter:
    """Of the cycles of a stored night."""
    sound = cycles[(cycles["status"] == "ok") & (cycles[f"{figure}_status"] == "ok")]
    sound = sound[sound["cycle_no"] > WARMING]
    return max(_of(sound[sound["direction"] == direction], figure) for direction in (1, -1))


def _of(rows: pd.DataFrame, figure: str) -> Scatter:
    value, degc = rows[figure].to_numpy(np.float64), rows["temp_bearing_degc"].to_numpy(np.float64)
    at = rows["cycle_no"].to_numpy(np.float64) - rows["cycle_no"].mean()
    design = np.column_stack([np.ones(len(at)), at, at * at, degc - degc.mean()])
    left = value - design @ np.linalg.lstsq(design, value, rcond=None)[0]
    square = float((left**2).sum())
    return Scatter(
        math.sqrt(square / (len(left) - design.shape[1])),
        float((left[1:] * left[:-1]).sum()) / square,
        float(rows[f"{figure}_u_rep"].median()),
        float(value.mean()),
    )


def main() -> None:
    """Print the table of the newest night of a fixture."""
    root, fixture = Path(sys.argv[1]), sys.argv[2]
    runs = sorted(each.name.partition("=")[2] for each in root.glob(f"cycles/fixture={fixture}/*/run=*"))
    cycles = Run(root, fixture, runs[-1]).cycles()
    for figure in PLANT:
        found = measured(cycles, figure)
        print(
            f"{figure:16} sd {found.sd_nm:.1e} N·m, alike {found.alike:5.2f}, u {found.u_nm:.1e} N·m, level {found.level_nm:.4f} N·m"
        )


if __name__ == "__main__":
    main()
