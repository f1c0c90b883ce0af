"""What the daemon says of cycles and of what it has stored, as sentences."""

import math

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.intervals import bands_text, half_width, marked
from nightturn.model.figures import BUDGET, INTERVAL_IS, OK, CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.quantities import bytes_text, interval
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.sentences.purpose import purpose_text
from nightturn.storage.entries import Amounts

SHORT = tuple(spec for spec in FIGURES.values() if spec.heading and not spec.of_rated)
"""The figures of a line: each once, in N·m."""


def cycle_text(cycle: CycleRecord, planned: int) -> str:
    """`cycle 12 of 2000: ripple 80.97 ± 0.45 mN·m, … (± is repeatability); accept`."""
    said = f"cycle {cycle.cycle_no} of {planned}: {figures_text(cycle)}; {cycle.verdict}"
    if cycle.status != OK:
        why = ", ".join(cycle.reasons)
        said += f"; {cycle.status}" + (f": {why}" if why else "")
    if cycle.verdict != NOT_JUDGED and cycle.verdict_reasons:
        said += f" ({'; '.join(cycle.verdict_reasons)})"
    return said


def figures_text(cycle: CycleRecord) -> str:
    """The figures of a line, each with its 95 % interval and unit, or why there is none; and what the intervals hold."""
    said = ", ".join(f"{spec.heading} {_figure(cycle, spec.name, spec.unit)}" for spec in SHORT)
    names = {figure.name: figure for figure in cycle.figures}
    bands = bands_text((spec.heading, names[spec.name]) for spec in SHORT if spec.name in names)
    return f"{said} ({INTERVAL_IS[cycle.kind]}{f'; {bands}' if bands else ''})"


def night_text(verdict: NightVerdict) -> str:
    """`undecided over 93 of 151 cycles: why; would decide: what; decision rule: which`."""
    said = f"{verdict.word} over {verdict.cycles} of {verdict.planned} cycles: {'; '.join(verdict.reasons)}"
    if verdict.kind == BUDGET:  # repeatability is among the reasons
        said += f"; {INTERVAL_IS[BUDGET]}"
    if verdict.would_decide:
        said += f"; would decide: {'; '.join(verdict.would_decide)}"
    said = f"{said}; decision rule: {verdict.rule}" if verdict.rule else said
    return f"{said}; {purpose_text(verdict)}"


def stored_text(run: str, amounts: Amounts, missing: int, *, ended: bool) -> str:
    """What lies on the disk of a run when it ends, or when the daemon leaves it."""
    gaps = "no gaps"
    if amounts.gaps:
        gaps = f"{amounts.gaps} gap{'s' if amounts.gaps > 1 else ''} ({missing} samples missing)"
    goes_on = "" if ended else "; the next start goes on with it"
    cycles = f"{amounts.cycles} cycle{'' if amounts.cycles == 1 else 's'}"
    return (
        f"run {run}: {amounts.samples} samples, {cycles} and {gaps} are stored in "
        f"{bytes_text(amounts.bytes)}{goes_on}"
    )


def _figure(cycle: CycleRecord, name: str, unit: str) -> str:
    figure = next((each for each in cycle.figures if each.name == name), None)
    if figure is None or figure.value is None:
        return "not measured" if figure is None or figure.status == OK else figure.status
    wide = half_width(figure)
    return marked(interval(figure.value, math.inf if wide is None else wide, unit), figure.status)
