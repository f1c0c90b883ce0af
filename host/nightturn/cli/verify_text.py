"""What `nightturn verify` says to a person."""

from collections import Counter
from collections.abc import Iterator, Sequence

from nightturn.model.quantities import bytes_text
from nightturn.storage.manifest import RUNNING
from nightturn.storage.verify_report import Problem, Report, RunReport
from nightturn.storage.zones import local_text


def lines(report: Report) -> Iterator[str]:
    """Some lines for each run, two for each problem, and a closing one; indented where they belong to the one above."""
    for run in report.runs:
        yield from _of_run(run)
    for sentence in report.unchecked:
        yield f"not checked: {sentence}"
    yield from _problems(report.problems, "")
    bad = sum(not run.ok for run in report.runs)
    yield (
        f"{bad} of {len(report.runs)} runs are not in order"
        if bad
        else "the runs above are in order; others are not there as a whole"
        if report.not_whole
        else "every run is in order, the catalogue is not; `nightturn verify --rebuild` makes it again from the files"
        if any(each.kind == "catalogue" for each in report.problems)
        else "every run is in order, the logbook is not"
        if report.problems
        else "everything that is sealed is there or explained"
        if any(run.unsealed_records for run in report.runs)
        else "everything is there or explained"
    )


def _of_run(run: RunReport) -> Iterator[str]:
    found = "ok" if run.ok else f"{len(run.problems)} problems"
    yield (f"{run.fixture} {run.run}, {run.state}: {found}")
    yield (
        f"  {run.stored} of {run.produced} samples in {run.chunks} chunks, "
        f"{run.files} files read back ({bytes_text(run.bytes)}), {run.segments} tape segments compared"
    )
    for each in run.cleared:
        yield f"  {each}"
    if run.span is not None:
        first, last = (local_text(each, run.timezone) for each in run.span)
        yield f"  from {first} to {last}"
    if run.corrections:
        times = "once" if run.corrections == 1 else f"{run.corrections} times"
        yield f"  {run.redated or 'its recorded times stand'}; its clock was corrected {times}"
    causes = Counter[str]()
    for hole in run.holes:
        causes.update(hole.causes)
    if run.missing > run.missing_between:
        listed = ", ".join(f"{count} {cause}" for cause, count in sorted(causes.items()))
        gaps = "1 gap" if causes.total() == 1 else f"{causes.total()} gaps"
        yield f"  missing and explained: {gaps}: {listed}; {run.missing - run.missing_between} samples"
    if run.missing_between:
        yield f"  {run.missing_between} samples between two starts of the host, counted by the device"
    if run.missing_by_time:
        yield f"  about {run.missing_by_time} samples were never taken between epochs"
    if run.unsealed_records:
        count = f"{len(run.unsealed)} segment{'s' if len(run.unsealed) > 1 else ''} of tape"
        fate = (
            "a daemon is recording it"
            if run.state == RUNNING
            else "the next start of `nightturn serve` seals it"
        )
        yield f"  not checked: {count} with {run.unsealed_records} records, not sealed yet; {fate}"
    for sentence in run.unchecked:
        yield f"  not checked: {sentence}"
    yield from _problems(run.problems, "  ")


def _problems(problems: Sequence[Problem], indent: str) -> Iterator[str]:
    for problem in problems:
        yield f"{indent}{problem.kind}: {problem.path}"
        yield f"{indent}  {problem.detail.removeprefix(f'{problem.path}: ')}"
