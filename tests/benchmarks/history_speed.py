"""CPU time of the account of a unit's life over ninety nights, from figures in memory, and what most of it goes into.

python -m tests.benchmarks.history_speed
"""

import sys
import time

from tests.unit_history.nights import night, rising
from tests.unit_history.test_account import whole
from threadpoolctl import threadpool_limits

from nightturn.estimation.figures import FRICTION
from nightturn.trend.course import course_of
from nightturn.unit_history.account import account
from nightturn.unit_history.life import life

NIGHTS, CYCLES = 90, 150
BOUND_S = 0.5


def main() -> int:
    """Print it with the bound beside it; 1 where it is broken."""
    strokes = CYCLES * 16
    courses = {FRICTION: rising(60 * strokes, 0.0002)}
    nights = [
        night(number, courses, cycles=CYCLES, strokes_before=number * strokes) for number in range(NIGHTS)
    ]
    with threadpool_limits(1):
        account(life("Q-0121", nights[:2]), whole)  # imports
        began = time.process_time()
        found = life("Q-0121", nights)
        read_s = time.process_time()
        for series in found.series:
            course_of(series)
        fitted_s = time.process_time()
        account(found, whole)
        whole_s = time.process_time() - fitted_s + read_s - began
    print(
        f"{NIGHTS} nights of {CYCLES} cycles, {len(found.series)} series, {whole_s:.2f} CPU s (<= {BOUND_S})"
    )
    print(f"life {read_s - began:.2f} s, courses {fitted_s - read_s:.2f} s")
    return int(whole_s > BOUND_S)


if __name__ == "__main__":
    sys.exit(main())
