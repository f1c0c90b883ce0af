"""The table of the README: a family a row, at its middle noise, as bias ± scatter (coverage of the 95 % intervals)."""

from collections.abc import Iterator, Sequence
from itertools import groupby

from tests.benchmarks.truth.tally import Line

SHOWN = ("ripple_pp", "cogging_pp", "friction", "mean_torque")
HEAD = (
    "| signal | noise, mN·m | ripple p-p | cogging p-p | friction | mean torque | naive ripple p-p |",
    "|---|---|---|---|---|---|---|",
)


def short_table(lines: Sequence[Line]) -> Iterator[str]:
    """Markdown rows; biases and scatters in per cent of the truth."""
    yield from HEAD
    for family, group in groupby(lines, key=lambda line: line.family):
        own = list(group)
        levels = sorted({line.white_nm for line in own})
        middle = levels[len(levels) // 2]
        found = {line.figure: line for line in own if line.white_nm == middle}
        cells = [_cell(found[name]) for name in SHOWN]
        naive = found["ripple_pp"].naive_pct
        yield f"| {family} | {1e3 * middle:g} | {' | '.join(cells)} | {naive:+.0f} |"


def _cell(line: Line) -> str:
    if not line.values:
        return f"refused {line.refused} of {line.cycles}"
    text = f"{line.bias_pct:+.2f} ± {line.scatter_pct:.2f} ({line.coverage:.2f})"
    return f"{text}, refused {line.refused} of {line.cycles}" if line.refused else text
