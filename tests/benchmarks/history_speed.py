"""CPU time of the account of a unit's life over ninety nights: from figures in memory, and from the files of a data root.

python -m tests.benchmarks.history_speed [--nights 90] [--no-files]

The stories: friction that begins to rise in the middle; a hall whose temperature goes up and down every night, so that what it does is learned
and taken off; a unit that is mounted again every night. The files hold the first of them, with all columns of a cycle, a file of cycles and one of
strokes a night, as after an hour; they are read once before, so that the catalogue knows the runs and what was read of them: a bench's has been read when
the next run of the unit began. Exit code 1 where a bound is broken.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from tests.unit_history.nights import STROKES, Course, night, place, rising
from tests.unit_history.stored_nights import stored
from tests.unit_history.test_account import whole
from threadpoolctl import threadpool_limits

from nightturn.estimation.figures import FRICTION
from nightturn.unit_history.account import Account, account, account_of
from nightturn.unit_history.life import life
from nightturn.unit_history.nights import Night

UNIT, NIGHTS, CYCLES = "Q-0121", 90, 150
BOUND_S = 0.5
RUNS = 3
"""Of which the median is said."""


def _swaying(hours: np.ndarray, _strokes: np.ndarray) -> np.ndarray:
    return np.asarray(np.round(26.0 + 1.5 * np.sin(hours / 9.0 * 2 * np.pi), 2))


def _warmed(at: float) -> Course:
    true = rising(at, 0.0002)
    return lambda hours, strokes: true(hours, strokes) * (1 - 0.008 * (_swaying(hours, strokes) - 26.0))


def stories(nights: int) -> dict[str, list[Night]]:
    """Lives of so many nights, by what they are."""
    strokes = CYCLES * STROKES
    at = 2 * nights // 3 * strokes

    def lived(
        courses: dict[str, Course], degc: Course | None = None, *, mounted: bool = False
    ) -> list[Night]:
        where = [place(mounted_utc=f"night {number}") if mounted else None for number in range(nights)]
        return [
            night(
                number,
                courses,
                cycles=CYCLES,
                strokes_before=number * strokes,
                degc=degc,
                where=where[number],
            )
            for number in range(nights)
        ]

    return {
        "rising since a day": lived({FRICTION: rising(at, 0.0002)}),
        "temperature learned": lived({FRICTION: _warmed(at)}, _swaying),
        "mounted every night": lived({FRICTION: rising(at, 0.0002)}, mounted=True),
    }


def spent_s(what: Callable[[], object]) -> float:
    """Median CPU seconds of a few runs, behind one that imports."""
    found = []
    for _ in range(RUNS + 1):
        began = time.process_time()
        what()
        found.append(time.process_time() - began)
    return float(np.median(found[1:]))


def _told(nights: Sequence[Night]) -> Account:
    return account(life(UNIT, nights), whole)


def main(arguments: list[str] | None = None) -> int:
    """Print a line a story with the bound beside it; 1 where one is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=NIGHTS)
    parser.add_argument("--no-files", action="store_true", help="only from memory")
    options = parser.parse_args(arguments)
    made, broken = stories(options.nights), False
    with threadpool_limits(1):
        for name, nights in made.items():
            whole_s = spent_s(partial(_told, nights))
            life_s = spent_s(partial(life, UNIT, nights))
            broken |= whole_s > BOUND_S
            print(
                f"{name:20} {whole_s:5.2f} CPU s (<= {BOUND_S}), {life_s:.2f} s of it to part them by known steps",
                flush=True,
            )
        if not options.no_files:
            with tempfile.TemporaryDirectory() as folder:
                root = Path(folder)
                for each in next(iter(made.values())):
                    stored(root, each)
                began = time.process_time()
                account_of(root, UNIT)
                first_s = time.process_time() - began
                read_s = spent_s(lambda: account_of(root, UNIT))
                print(
                    f"{'the first, of files':20} {read_s:5.2f} CPU s (<= {BOUND_S}); {first_s:.2f} when nothing of it was kept yet",
                    flush=True,
                )
                broken |= read_s > BOUND_S
    print(f"{options.nights} nights of {CYCLES} cycles each")
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())
