"""Many runs: which, in which order, and what becomes of those whose worker dies."""

from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError, RunNotFoundError
from nightturn.reanalysis.job import Job, carry_out, failed
from nightturn.reanalysis.outcome import Outcome
from nightturn.reanalysis.workplaces import Workplace
from nightturn.storage.runs import found_runs, known_runs, what_a_root_has
from nightturn.storage.stored import stored_at

DEATHS_MAX = 3
"""So often a job's worker may die before the job is given up; from the second time on the job runs alone."""

Work = Callable[[Job], Outcome]


class Report(msgspec.Struct, frozen=True):
    """What came of all runs, in their order."""

    outcomes: tuple[Outcome, ...]

    @property
    def ok(self) -> bool:
        """Whether every result is there and nothing contradicts what was recorded."""
        return all(each.ok for each in self.outcomes)

    @property
    def not_whole(self) -> bool:
        """Whether an object store lacks something, or could not be read."""
        return any(each.not_whole for each in self.outcomes)

    @property
    def storage(self) -> bool:
        """Whether a run could not be read, or its result not be written."""
        return any(each.storage for each in self.outcomes)


def jobs_of(
    roots: Sequence[str | Path],
    method: str,
    fixture: str = "",
    run: str = "all",
    *,
    out: Path | None = None,
    endpoint: str = "",
) -> list[Job]:
    """A job for each run below the roots, or those of a fixture or with an id.

    Args:
        roots: data roots, or `s3://BUCKET/PREFIX`.
        method: its name.
        fixture: only this one.
        run: an id, latest or all.
        out: where results lie; None for the data roots.
        endpoint: of an S3 server.

    Raises:
        ConfigError: an object store without `out`.
        RunNotFoundError: there is none.
        StorageError: an id that is no name but a path.
        ObjectStoreError: the store cannot be reached or refuses, or has not the whole run (NotWholeError).
    """
    jobs: list[Job] = []
    results = "" if out is None else str(out.resolve())
    for root in roots:
        place = stored_at(root, endpoint)
        if place.local is None and not results:
            raise ConfigError("is needed with s3://", where="--out", allowed="a folder for the results")
        if run == "all":
            known = [(fixed, each) for fixed, runs in known_runs(place).items() for each in runs]
        else:
            known = [(each.fixture, each.run) for each in found_runs(place, run, fixture)]
        chosen = [pair for pair in known if fixture in ("", pair[0])]
        if not chosen:
            what = f"runs of {fixture}" if fixture and known else what_a_root_has(place)
            raise RunNotFoundError(f"{root} contains no {what}")
        # A worker of a cluster has a folder of its own.
        at = str(place.local.resolve()) if place.local is not None else str(root)
        jobs += [Job(at, *pair, method, results, endpoint) for pair in chosen]
    return jobs


def carry_out_all(jobs: Sequence[Job], place: Workplace, work: Work = carry_out) -> Iterator[Outcome]:
    """What comes of each job, as it comes; a job whose worker dies is carried out again, alone.

    Args:
        jobs: each once.
        place: where.
        work: what is done with a job; it and the job are pickled.
    """
    waiting, suspects = deque(jobs), deque[Job]()
    deaths = Counter[Job]()
    while waiting or suspects:
        queue, at_once = (waiting, place.at_once) if waiting else (suspects, 1)
        with place.begin() as executor:
            in_flight: dict[Future[Outcome], Job] = {}
            try:
                yield from _fed(executor, queue, at_once, in_flight, work)
            except place.lost:
                for job in in_flight.values():
                    deaths[job] += 1
        for job in in_flight.values():
            if deaths[job] < DEATHS_MAX:
                suspects.append(job)
            else:
                yield failed(
                    job, f"its worker died {DEATHS_MAX} times; perhaps memory ran out", storage=False
                )


def report(outcomes: Sequence[Outcome], jobs: Sequence[Job]) -> Report:
    """The outcomes in the order of the jobs."""
    places = {(job.root, job.fixture, job.run): number for number, job in enumerate(jobs)}
    return Report(tuple(sorted(outcomes, key=lambda each: places[each.root, each.fixture, each.run])))


def _fed(
    executor: Executor, queue: deque[Job], at_once: int, in_flight: dict[Future[Outcome], Job], work: Work
) -> Iterator[Outcome]:
    """Keep so many jobs under way until the queue is empty; what a future raises leaves the others in `in_flight`."""
    while queue or in_flight:
        while queue and len(in_flight) < at_once:
            job = queue.popleft()
            in_flight[executor.submit(work, job)] = job
        done, _ = wait(in_flight, return_when=FIRST_COMPLETED)
        for future in sorted(done, key=lambda each: each.exception() is not None):
            outcome = future.result()
            del in_flight[future]
            yield outcome
