"""What `nightturn reanalyse` says to a person."""

from collections.abc import Iterator, Sequence

from nightturn.model.quantities import fixed
from nightturn.reanalysis.campaign import Report
from nightturn.reanalysis.outcome import Outcome


def lines_of(outcome: Outcome) -> Iterator[str]:
    """A line for a run, and indented ones for what contradicts or is missing."""
    name = f"{outcome.fixture} {outcome.run}"
    if outcome.problem:
        yield f"{name}: not made again"
        yield f"  {outcome.problem}"
        return
    state = (
        "already there" if outcome.already else f"{outcome.samples} samples in {fixed(outcome.cpu_s, 1)} s"
    )
    equal = f"sums of {outcome.sums_equal} equal to the stored ones"
    verdict = f"; night: {outcome.verdict}" if outcome.verdict else ""
    if verdict and outcome.verdict_stored not in ("", outcome.verdict):
        verdict += f", recorded as {outcome.verdict_stored}"
    yield f"{name}: {outcome.cycles} cycles, {equal}; {state}{verdict}"
    if outcome.not_stored:
        yield f"  {outcome.not_stored} cycles were not stored, so nothing was compared"
    yield from _each("differs: ", (*outcome.sums_differ, *outcome.figures_differ))
    yield from _each("changed: ", outcome.methods)
    yield from _each("not made again: ", outcome.left_out)


def closing_line(report: Report) -> str:
    """The last line."""
    good = sum(each.ok for each in report.outcomes)
    bad = len(report.outcomes) - good
    if bad:
        return f"{bad} of {len(report.outcomes)} runs {'is' if bad == 1 else 'are'} not in order"
    return f"figures of {good} {'run' if good == 1 else 'runs'} are made again, beside the recorded ones"


def _each(head: str, sentences: Sequence[str]) -> Iterator[str]:
    return (f"  {head}{sentence}" for sentence in sentences)
