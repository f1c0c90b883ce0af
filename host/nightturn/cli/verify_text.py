"""What `nightturn verify` says to a person."""

from collections import Counter
from collections.abc import Iterator

from nightturn.storage.moments import local_text
from nightturn.storage.verify import Report, RunReport


def lines(report: Report) -> Iterator[str]:
    """A line or two for each run, one for each problem, and a closing one."""
    for run in report.runs:
        yield from _of_run(run)
    bad = sum(not run.ok for run in report.runs)
    yield (
        "everything is there or explained"
        if not bad
        else f"{bad} of {len(report.runs)} runs are not in order"
    )


def _of_run(run: RunReport) -> Iterator[str]:
    state = "ok" if run.ok else f"{len(run.problems)} problems"
    yield (
        f"{run.fixture} {run.run}: {state}; {run.stored} of {run.produced} samples in {run.chunks} chunks, "
        f"{run.files} files read back ({run.bytes / 1e6:.1f} MB), {run.segments} tape segments compared"
    )
    if run.span is not None:
        first, last = (local_text(each, run.timezone) for each in run.span)
        yield f"  from {first} to {last}"
    causes = Counter[str]()
    for hole in run.holes:
        causes.update(hole.causes)
    if run.missing:
        told = ", ".join(f"{count} by {cause}" for cause, count in sorted(causes.items()))
        yield f"  {run.missing} samples are missing and explained: {told}"
    if run.missing_by_time:
        yield f"  about {run.missing_by_time} samples were never taken between epochs"
    if run.unsealed:
        yield f"  {len(run.unsealed)} segments are not sealed yet: a daemon is running, or the next start seals them"
    for problem in run.problems:
        yield f"  {problem.kind}: {problem.path}: {problem.detail}"
