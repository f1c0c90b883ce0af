"""How far the figures are from the truth, on signals that share no code with the product.

Run: `python -m tests.benchmarks.truth [--families a,b] [--seeds N] [--long] [--jobs N] [--table] [--json]` in the top folder.
A line a family, noise and figure; a mark where a bound is broken, and then the exit code is 1. The long form is some 60 minutes of
CPU time, half of that on two cores.
"""

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict
from functools import partial

from tests.benchmarks.truth.families import BY_NAME, FAMILIES
from tests.benchmarks.truth.family import ALL, EITHER, SELDOM, Family
from tests.benchmarks.truth.judging import Judged
from tests.benchmarks.truth.short_table import short_table
from tests.benchmarks.truth.tally import BIAS_PCT, COVERAGE, Line, coverage_band, line_of, silent_most

SEEDS = 12
CHUNK = 20
HEAD = (
    f"{'family':30} {'mN·m':>5} {'figure':11} {'want':6} {'n':>4} {'bias %':>9} {'sd %':>8} {'U %':>8} {'cover':>6} {'bounds':>11} {'below':>5} "
    f"{'above':>5} {'no U':>4} {'silent':>8} {'refused':>7} {'defect':>6} {'naive %':>9}  broken"
)

Job = tuple[str, float, int, int]


def main(arguments: list[str] | None = None) -> int:
    """Print the table; 1 when a bound is broken, and then the rows are named, beside a table or a document on stderr."""
    options = _options(arguments)
    if options.list:
        print("\n".join(family.name for family in FAMILIES))
        return 0
    families = _chosen(options.families)
    began = time.perf_counter()
    lines, skipped = [], []
    if not options.json and not options.table:
        print(HEAD)
    for family in families:
        lacking = family.lacking()
        if lacking:
            skipped.append(f"{family.name}: not run, the product has no field {', '.join(lacking)}")
    runnable = [family for family in families if not family.lacking()]
    for line in _lines(runnable, options.long, options.seeds, options.jobs):
        lines.append(line)
        if not options.json and not options.table:
            print(_row(line), flush=True)
    broken = sum(bool(line.broken) for line in lines)
    if options.table or options.json:
        sys.stderr.writelines(f"{_broken(line)}\n" for line in lines if line.broken)
    if options.table:
        print("\n".join(short_table(lines)))
    elif options.json:
        json.dump({"lines": [asdict(line) for line in lines], "skipped": skipped}, sys.stdout, indent=1)
        print()
    else:
        _summary(lines, skipped, time.perf_counter() - began)
    return 1 if broken else 0


def _chosen(names: str) -> list[Family]:
    """The families of these names, or all whose name contains one that is no family's own."""
    out = []
    for name in filter(None, names.split(",")):
        found = [BY_NAME[name]] if name in BY_NAME else [each for each in FAMILIES if name in each.name]
        if not found:
            raise SystemExit(f"no family has the name {name}; --list prints them")
        out += found
    return out or list(FAMILIES)


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.truth", description=__doc__)
    parser.add_argument("--families", default="", help="names with commas between them; all without")
    parser.add_argument(
        "--seeds", type=int, default=0, help=f"cycles of each family and noise ({SEEDS} without)"
    )
    parser.add_argument("--long", action="store_true", help="as many cycles as each family says, most 400")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    parser.add_argument(
        "--table", action="store_true", help="print one Markdown row a family, at its middle noise"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    parser.add_argument("--list", action="store_true", help="print the names of the families")
    return parser.parse_args(arguments)


def run(job: Job) -> list[dict[str, Judged]]:
    """The cycles of one job: family, noise, first seed, number."""
    name, white_nm, first, count = job
    return [BY_NAME[name].cycle(white_nm, first + k) for k in range(count)]


def _lines(families: list[Family], long: bool, seeds: int, jobs: int) -> Iterator[Line]:
    """The lines of each family in turn, while the later ones are worked on."""
    groups: list[tuple[Family, float, list[Job]]] = []
    for family in families:
        count = seeds or (family.long_seeds if long else SEEDS)
        for white_nm in family.white_nm:
            starts = range(0, count, CHUNK)
            groups.append(
                (family, white_nm, [(family.name, white_nm, a, min(CHUNK, count - a)) for a in starts])
            )
    with ExitStack() as stack:
        pool = stack.enter_context(ProcessPoolExecutor(jobs)) if jobs > 1 else None
        begun = [(family, white_nm, [_begin(pool, job) for job in work]) for family, white_nm, work in groups]
        for family, white_nm, results in begun:
            cycles = [cycle for result in results for cycle in result()]
            for figure in ALL:
                yield line_of(family, white_nm, figure, [cycle[figure] for cycle in cycles])


def _begin(pool: ProcessPoolExecutor | None, job: Job) -> Callable[[], list[dict[str, Judged]]]:
    """What gives the cycles of a job: from a process that has begun it, or by working on them when it is asked."""
    return pool.submit(run, job).result if pool else partial(run, job)


def _row(line: Line) -> str:
    return (
        f"{line.family:30} {1e3 * line.white_nm:5.3g} {line.figure:11} {line.expect:6} {line.values:4d} "
        f"{line.bias_pct:+9.3g} {line.scatter_pct:8.3g} {line.wide_pct:8.3g} {line.coverage:6.3f} {_span(line):>11} {line.low:5.2f} {line.high:5.2f} "
        f"{line.without_u:4d} {line.silent:3d} <= {silent_most(line.values):d} {line.refused:7d} {line.deviations:6d} {line.naive_pct:+9.3g}  {', '.join(line.broken)}"
    )


def _broken(line: Line) -> str:
    return f"{line.family}, {1e3 * line.white_nm:g} mN·m, {line.figure}: {', '.join(line.broken)}"


def _span(line: Line) -> str:
    low, high = coverage_band(line.values - line.without_u) if line.values > line.without_u else (0.0, 1.0)
    return f"{low:.3f}-{high:.3f}"


def limits_of(lines: list[Line]) -> Iterator[str]:
    """For figures that a derived limit explains: what was refused, what may be, and that limit."""
    for line in lines:
        family = BY_NAME[line.family]
        if family.limit and line.refused and line.expect in (EITHER, SELDOM):
            least = family.least(line.figure, line.white_nm)
            most = f"at most {100 * (1 - least):.0f} %" if least else "any number"
            yield (
                f"{line.family}, {1e3 * line.white_nm:g} mN·m, {line.figure}: refused {100 * line.refused / line.cycles:.0f} %, "
                f"bound {most}; derived: {family.limit}"
            )


def _summary(lines: list[Line], skipped: list[str], seconds: float) -> None:
    values = sum(line.values for line in lines)
    print(
        f"\nbias within {BIAS_PCT:g} % beyond chance, coverage {COVERAGE[0]:g} to {COVERAGE[1]:g}, silent errors no more than "
        "99.9 % intervals show"
    )
    for word in (
        "silent",
        "not refused",
        "refused",
        "too often",
        "bias",
        "coverage",
        "defect missed",
        "false defect",
    ):
        hit = [line for line in lines if word in line.broken]
        names = dict.fromkeys(line.family for line in hit)
        print(f"{word:13} broken in {len(hit):4d} of {len(lines)} lines: {'; '.join(names) or 'none'}")
    for text in (*skipped, *limits_of(lines)):
        print(text)
    cycles = sum(line.cycles for line in lines) // len(ALL)
    print(
        f"{cycles} cycles, {values} values, {sum(line.silent for line in lines)} silent errors, {seconds:.0f} s, "
        f"{sum(os.times()[:4]):.0f} s of CPU time"
    )


if __name__ == "__main__":
    sys.exit(main())
