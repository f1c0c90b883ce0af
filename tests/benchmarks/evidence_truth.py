"""How often the table of evidence names the right cause, a wrong one, or nothing, on stories whose cause is known.

    python tests/benchmarks/evidence_truth.py [--seeds 200] [--json]

The seeds are drawn from a digest of the table of rules: whoever changes the table draws new ones, so it is always frozen before they are
drawn. Bounds: the right cause in at least 80 %, a wrong one in at most 5 % of each story. Exit code 1 where one is broken.
"""

import argparse
import hashlib
import json
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.evidence.stories import DECLARED, stories_of, told

from nightturn.evidence.from_cycles import features_of
from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED, causes
from nightturn.evidence.rules import RULES

SEEDS = 200
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


def tallied(number: int) -> list[Tally]:
    """Every story judged so many times. Wrong is any cause that is not the story's, also beside the right one."""
    tallies: dict[str, Tally] = {}
    wrongly: dict[str, set[str]] = {}
    for seed in seeds(number):
        for name, story in stories_of(seed).items():
            tally = tallies.setdefault(name, Tally(name))
            before, now = told(story, seed)
            named = [each.cause for each in causes(features_of(before, now, DECLARED, story.known))]
            strange = {*named} - story.right - story.fine - {NOTHING_FITS, NOTHING_MOVED}
            wrongly.setdefault(name, set()).update(strange)
            tally.drawn += 1
            tally.right += named[0] in story.right
            tally.wrong += bool(strange)
            tally.nothing += {*named} <= {NOTHING_FITS, NOTHING_MOVED} and named[0] not in story.right
            tally.named = ", ".join(sorted(wrongly[name]))
    return list(tallies.values())


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 1 when a bound is broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=SEEDS)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    tallies = tallied(options.seeds)
    if options.json:
        json.dump([asdict(each) for each in tallies], sys.stdout, indent=1)
        print()
    else:
        print(
            f"{'story':18} {'n':>4} {'right %':>8} {'(>= 80)':>8} {'wrong %':>8} {'(<= 5)':>7} {'nothing %':>9}  named wrongly"
        )
        for each in tallies:
            shares = [100 * count / each.drawn for count in (each.right, each.wrong, each.nothing)]
            mark = "BROKEN " if each.broken else ""
            asked = "*" if each.story in ASKED else " "
            print(
                f"{asked}{each.story:17} {each.drawn:4} {shares[0]:8.1f} {'':8} {shares[1]:8.1f} {'':7} {shares[2]:9.1f}  {mark}{each.named}"
            )
    return int(any(each.broken for each in tallies))


if __name__ == "__main__":
    sys.exit(main())
