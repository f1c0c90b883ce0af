"""What the whole chain says of nights whose truth is known: watch, course, change, slope, cause; a fixed threshold on raw values beside it.

    python -m tests.benchmarks.chain_truth [--seeds 200] [--jobs 1] [--story NAME]

A night goes cycle by cycle through what `serve` has (`trend.following`), its courses through what a worker has (`trend.fits`), and the change
that was told through what the history has (`evidence`). The seeds are drawn from a digest of the table of rules, which is printed: whoever
changes the table draws new ones. Exit code 1 where a bound is broken, with what misses.
"""

import argparse
import hashlib
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import islice
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.chain.following import followed, terms
from tests.benchmarks.chain.nights import SWAYS, drawn, nights_of
from tests.benchmarks.chain.tally import CABLE, Tally
from tests.benchmarks.evidence_truth import seeds
from tests.unit_history.nights import usual_settings
from threadpoolctl import threadpool_limits

from nightturn.evidence.rules import RULES
from nightturn.outlook.watch_outlook import watch_budget
from nightturn.settings.rig import FALSE_ALARMS_PER_NIGHT

SEEDS, FIXTURES = 200, 3
ASKED = tuple(name for name in nights_of(0) if not name.endswith(SWAYS))
STORIES = tuple(nights_of(0))
CPU_MOST_MIN = 40.0


def budget() -> tuple[float, float]:
    """Threshold of the watch on a bench of three fixtures, and the share of one in its false alarms a night."""
    found = watch_budget(usual_settings().fixture, FIXTURES, FALSE_ALARMS_PER_NIGHT)
    return found.threshold, FALSE_ALARMS_PER_NIGHT / FIXTURES


def told(seed: int, story: str) -> Tally:
    """One night of a story."""
    made = nights_of(seed)[story]
    night, tally = drawn(made, seed), started(story)
    with threadpool_limits(1):
        tally.add(night, followed(night, terms(budget()[0]), slopes=story == "none"))
    return tally


def started(story: str) -> Tally:
    """No night yet."""
    return Tally(story, made_onset(story) and not story.startswith(CABLE))


def made_onset(story: str) -> bool:
    """Whether something begins in it."""
    return nights_of(0)[story].onset is not None


def tallied(story: str, number: int, jobs: int = 1) -> Tally:
    """So many nights of a story."""
    total, given = started(story), list(islice(seeds(number), number))
    with ProcessPoolExecutor(jobs) if jobs > 1 else _Here() as pool:
        for found in pool.map(partial(told, story=story), given):
            total.join(found)
    return total


class _Here:
    """One process is enough."""

    map = staticmethod(map)

    def __enter__(self) -> "_Here":
        return self

    def __exit__(self, *_: object) -> None:
        return


HEAD = (
    "story             nights | said for nothing %  watch %  naive % | seen %  delay h  naive h |"
    " sets >= .88  slopes .90-.99 | right % >= 80  wrong % <= 5"
)


def line(of: Tally) -> str:
    """A row of the table."""
    wrong = 100 * of.wrong.hits / of.said.of
    return (
        f"{of.story:17} {of.said.of:6} | {of.said.pct:18.1f} {of.suspected.pct:8.1f} {of.naive_said.pct:8.1f} |"
        f" {of.seen.pct:6.1f} {of.delay_h:8.1f} {of.naive_delay_h:8.1f} | {of.placed.share:11.2f} {of.sloped.share:15.2f} |"
        f" {of.right.pct:13.1f} {wrong:13.1f}  {', '.join(sorted(of.named))}"
    )


def main(arguments: list[str] | None = None) -> int:
    """Print the table and what misses; 1 where something does."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=SEEDS, help="nights of each story")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--story", action="append", choices=STORIES, help="only this one")
    parser.add_argument(
        "--sway", action="store_true", help="the stories in a hall that sways as well; no bound"
    )
    options = parser.parse_args(arguments)
    threshold, rate = budget()
    print(f"rules {hashlib.sha256(repr(RULES).encode()).hexdigest()[:16]}, frozen before the seeds")
    print(
        f"watch: {FALSE_ALARMS_PER_NIGHT} false alarms a night over {FIXTURES} fixtures, threshold {threshold:.2f}"
    )
    print(HEAD, flush=True)
    began, broken = time.process_time(), []
    for story in options.story or (STORIES if options.sway else ASKED):
        tally = tallied(story, options.seeds, options.jobs)
        print(line(tally), flush=True)
        if story in ASKED:
            broken += [f"{story}: {text}" for text in tally.broken(rate)]
    if options.jobs == 1:
        print(
            f"{(time.process_time() - began) / 60:.1f} CPU minutes (<= {CPU_MOST_MIN:.0f} for {SEEDS} nights a story)"
        )
    for text in broken:
        print(f"BROKEN {text}")
    return int(bool(broken))


if __name__ == "__main__":
    sys.exit(main())
