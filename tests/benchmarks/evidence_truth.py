"""How often the table of evidence names the right cause, a wrong one, or nothing, on stories whose cause is known.

    python tests/benchmarks/evidence_truth.py [--seeds 200] [--plant 10] [--json]

The stories are those of tests/evidence/stories.py, drawn as cycles, and those of tests/evidence/plant_nights.py, samples of the virtual plant through the
estimators.

The seeds are drawn from a digest of the table of rules: whoever changes the table draws new ones, so it is always frozen before they are
drawn. Bounds: the right cause in at least 80 %, a wrong one in at most 5 % of each story. Exit code 1 where one is broken.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.evidence import plant_nights
from tests.evidence.stories import DECLARED, stories_of, told

from nightturn.evidence.from_cycles import features_of
from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED, Finding, causes
from nightturn.evidence.rules import RULES

SEEDS, PLANT_SEEDS = 200, 10
RIGHT_LEAST_PCT, WRONG_MOST_PCT = 80.0, 5.0
ASKED = (
    "none",
    "wear",
    "spall",
    "chip",
    "coupling",
    "zero drift",
    "cable",
    "cooling 4 K",
    "warm-up",
    "remount",
    "air conditioning",
)
"""The stories of which the bounds were promised; they hold for the others as well."""


@dataclass
class Tally:
    """One story: how many were drawn, right, wrong and without a cause, and what was named wrongly."""

    story: str
    drawn: int = 0
    right: int = 0
    wrong: int = 0
    nothing: int = 0
    named: str = ""

    @property
    def broken(self) -> bool:
        """Whether a bound is."""
        return (
            100 * self.right < RIGHT_LEAST_PCT * self.drawn or 100 * self.wrong > WRONG_MOST_PCT * self.drawn
        )


def seeds(number: int) -> Iterator[int]:
    """As many seeds, from the table of rules."""
    for k in range(number):
        yield int.from_bytes(hashlib.sha256(f"{k} {RULES!r}".encode()).digest()[:6], "big")


class Judged:
    """Tallies of stories by name."""

    def __init__(self) -> None:
        self.tallies: dict[str, Tally] = {}
        self.wrongly: dict[str, set[str]] = {}

    def add(self, name: str, right: frozenset[str], fine: frozenset[str], found: Sequence[Finding]) -> None:
        """One story that was judged. Wrong is any cause that is not the story's, also beside the right one."""
        named = [each.cause for each in found]
        strange = {*named} - right - fine - {NOTHING_FITS, NOTHING_MOVED}
        wrongly = self.wrongly.setdefault(name, set())
        wrongly.update(strange)
        tally = self.tallies.setdefault(name, Tally(name))
        tally.drawn += 1
        tally.right += named[0] in right
        tally.wrong += bool(strange)
        tally.nothing += {*named} <= {NOTHING_FITS, NOTHING_MOVED} and named[0] not in right
        tally.named = ", ".join(sorted(wrongly))


def tallied(number: int) -> list[Tally]:
    """Every invented story, judged so many times."""
    judged = Judged()
    for seed in seeds(number):
        for name, story in stories_of(seed).items():
            before, now = told(story, seed)
            found = causes(features_of(before, now, DECLARED, story.known))
            judged.add(name, story.right, story.fine, found)
    return list(judged.tallies.values())


def plant_tallied(number: int) -> list[Tally]:
    """Every story of the virtual plant, from samples through the estimators."""
    judged = Judged()
    for seed in seeds(number):
        for story in plant_nights.STORIES:
            before, now = plant_nights.plant_night(story, seed)
            found = causes(features_of(before, now, plant_nights.DECLARED))
            judged.add(f"plant: {story.name}", story.right, story.fine, found)
    return list(judged.tallies.values())


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 1 when a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--plant", type=int, default=PLANT_SEEDS)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    tallies = tallied(options.seeds) + plant_tallied(options.plant)
    if options.json:
        json.dump([asdict(each) for each in tallies], sys.stdout, indent=1)
        print()
    else:
        print(
            f"{'story':20} {'n':>4} {'right % (>= 80)':>16} {'wrong % (<= 5)':>15} {'nothing %':>10}  named wrongly"
        )
        for each in tallies:
            right, wrong, nothing = (
                100 * count / each.drawn for count in (each.right, each.wrong, each.nothing)
            )
            mark = "BROKEN " if each.broken else ""
            asked = "*" if each.story in ASKED else " "
            print(
                f"{asked}{each.story:19} {each.drawn:4} {right:16.1f} {wrong:15.1f} {nothing:10.1f}  {mark}{each.named}"
            )
    return int(any(each.broken for each in tallies))


if __name__ == "__main__":
    sys.exit(main())
