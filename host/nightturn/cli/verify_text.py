"""What `nightturn verify` says to a person."""

from collections import Counter
from collections.abc import Iterator

from nightturn.storage.manifest import RUNNING
from nightturn.storage.moments import local_text
from nightturn.storage.verify import Report, RunReport


def lines(report: Report) -> Iterator[str]:
    """Some lines for each run, two for each problem, and a closing one; indented where they belong to the one above."""
    for run in report.runs:
        yield from _of_run(run)
    bad = sum(not run.ok for run in report.runs)
    yield (
        f"{bad} of {len(report.runs)} runs are not in order"
        if bad
        else "everything that is sealed is there or explained"
        if any(run.unsealed_records for run in report.runs)
        else "everything is there or explained"
    )


def _of_run(run: RunReport) -> Iterator[str]:
    found = "ok" if run.ok else f"{len(run.problems)} problems"
    yield (f"{run.fixture} {run.run}, {run.state}: {found}")
    yield (
        f"  {run.stored} of {run.produced} samples in {run.chunks} chunks, "
        f"{run.files} files read back ({run.bytes / 1e6:.1f} MB), {run.segments} tape segments compared"
    )
    if run.span is not None:
        first, last = (local_text(each, run.timezone) for each in run.span)
        yield f"  from {first} to {last}"
    causes = Counter[str]()
    for hole in run.holes:
        causes.update(hole.causes)
    if run.missing:
        listed = ", ".join(f"{count} by {cause}" for cause, count in sorted(causes.items()))
        yield f"  {run.missing} samples are missing and explained: {listed}"
    if run.missing_by_time:
        yield f"  about {run.missing_by_time} samples were never taken between epochs"
    if run.unsealed_records:
        count = f"{len(run.unsealed)} segment{'s' if len(run.unsealed) > 1 else ''} of tape"
        fate = (
            "its recorder is at work"
            if run.state == RUNNING
            else "the next start of `nightturn serve` seals it"
        )
        yield f"  not checked: {count} with {run.unsealed_records} records, not sealed yet; {fate}"
    for problem in run.problems:
        yield f"  {problem.kind}: {problem.path}"
        yield f"    {problem.detail.removeprefix(f'{problem.path}: ')}"
