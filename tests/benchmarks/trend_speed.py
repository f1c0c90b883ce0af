"""What following all figures costs: CPU time of a cycle on the loop with all that its courses bring back, and of a course beside it.

python -m tests.benchmarks.trend_speed

The process is begun as `serve` begins one (`bench.early`): without that, one cycle in some hundred pays for a round of the collector over every
module, 60 to 70 ms. Exit code 1 where the bound is broken.
"""

import sys
import time

import numpy as np
from tests.fixture.living import Live, records
from tests.fixture.test_rolling import with_curves
from tests.unit_history.nights import Course, night

from nightturn.bench.early import import_early
from nightturn.estimation.figures import BREAKAWAY, FRICTION, RIPPLE_PP
from nightturn.fixture import trending
from nightturn.fixture.state import to_bytes
from nightturn.trend.fits import fitted
from nightturn.trend.series import FOLLOWED

LOOP_MS = 2.0
"""What a cycle may take on the loop."""


def main() -> int:
    """Print a table with the bound beside it; 1 where it is broken."""

    def degc(hours: np.ndarray, _strokes: np.ndarray) -> np.ndarray:
        return np.round(28.0 + 2.0 * np.sin(hours / 9.0 * 2 * np.pi), 1)

    def warmed(level: float, per_k: float) -> Course:
        return lambda hours, strokes: level * (1 - per_k * (degc(hours, strokes) - 28.0))

    courses = {FRICTION: warmed(0.1, 0.01), BREAKAWAY: warmed(0.2, 0.01), RIPPLE_PP: warmed(0.08, 0.0)}
    cycles = list(with_curves(records(night(0, courses, cycles=700, degc=degc), FOLLOWED)))
    import_early()
    live, loop_s, course_s = Live(orders=True), [], []
    for record in cycles:
        began = time.process_time()
        trending.cycle(live.work, record)
        loop_s.append(time.process_time() - began)
        while (job := trending.waiting(live.work.state)) is not None:
            began = time.process_time()
            fact = fitted(job)
            course_s.append(time.process_time() - began)
            began = time.process_time()
            trending.finished(live.work, fact)
            loop_s[-1] += time.process_time() - began
        live._keep()
    print(
        f"{len(cycles)} cycles, {len(course_s)} courses, {len(live.events)} notes, snapshot {len(to_bytes(live.work.state)) / 1e3:.0f} kB"
    )
    for name, spent, bound in (
        ("cycle, on the loop", loop_s, LOOP_MS),
        ("course, beside it", course_s, None),
    ):
        ms = np.array(spent) * 1e3
        limit = f"bound {bound:.1f}" if bound else ""
        print(
            f"{name:20} median {np.median(ms):7.2f} ms, 99 % {np.quantile(ms, 0.99):7.2f}, most {ms.max():7.2f} {limit}"
        )
    return int(max(loop_s) * 1e3 > LOOP_MS)


if __name__ == "__main__":
    sys.exit(main())
