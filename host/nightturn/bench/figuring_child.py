"""The process that works out figures for a daemon: `python -m nightturn.bench.figuring_child SOCKET`."""

from typing import TYPE_CHECKING

from nightturn.storage.child_side import serve

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from nightturn.estimation.jobs import CycleJob
    from nightturn.model.facts import CycleFinished, TrendFitted
    from nightturn.trend.fits import FitJob

NICE = 15  # far behind whoever records, whose loop has leases to renew


def work(line: "Connection[CycleFinished | TrendFitted, CycleJob | FitJob]") -> None:
    """Work out what is asked for until the other end is closed; what that takes is imported here, when this process is behind others already."""
    from nightturn.bench.early import import_early
    from nightturn.estimation.jobs import CycleJob, worked_out
    from nightturn.trend.fits import fitted

    import_early()
    while True:
        job = line.recv()
        line.send(worked_out(job) if isinstance(job, CycleJob) else fitted(job))


if __name__ == "__main__":
    serve(work, NICE)
