"""Many runs on executors: the same results wherever they are made, and a worker that dies costs time only."""

import dataclasses
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import pytest
from replay_logs.make import Recorded
from tests.reanalysis.conftest import copied
from tests.reanalysis.dying import DIED, always_dies, dies_once

from nightturn.errors import ConfigError, RunNotFoundError
from nightturn.reanalysis.campaign import carry_out_all, jobs_of, report
from nightturn.reanalysis.outcome import Outcome
from nightturn.reanalysis.workplaces import Workplace, workplace
from nightturn.storage.files import RealFiles
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs

HERE = Workplace(lambda: ThreadPoolExecutor(1), 1, ())


@pytest.fixture
def roots(troubled_once: Recorded, halves_once: Recorded, tmp_path: Path) -> list[Path]:
    """Two data roots of a run each."""
    return [copied(made, tmp_path / str(n)).root for n, made in enumerate((troubled_once, halves_once))]


def alike(outcomes: tuple[Outcome, ...]) -> list[Outcome]:
    """What has to be the same wherever it was made."""
    return [msgspec.structs.replace(each, root="", path="", cpu_s=0.0) for each in outcomes]


def columns_of(roots: list[Path]) -> list[str]:
    found = []
    for root in roots:
        (run,) = jobs_of([root], "standard")
        found.append(Run(root, run.fixture, run.run).cycles(reanalysis="standard").to_csv())
    return found


@pytest.fixture
def here(troubled_once: Recorded, halves_once: Recorded, tmp_path: Path) -> tuple[list[Outcome], list[str]]:
    """Outcomes and results as made in this process, elsewhere on the disk."""
    mine = [copied(made, tmp_path / f"here{n}").root for n, made in enumerate((troubled_once, halves_once))]
    jobs = jobs_of(mine, "standard")
    found = report(list(carry_out_all(jobs, HERE)), jobs)
    assert found.ok
    return alike(found.outcomes), columns_of(mine)


@pytest.mark.parametrize("executor", ["processes", "dask"])
def test_a_killed_worker_is_replaced_and_the_results_are_those_of_this_process(
    executor: str, roots: list[Path], here: tuple[list[Outcome], list[str]]
) -> None:
    (roots[1] / DIED).touch()  # one death is enough
    jobs = jobs_of(roots, "standard")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the cluster, which says in its own way that a worker is gone
        with workplace(executor, 2) as place:
            found = report(list(carry_out_all(jobs, place, dies_once)), jobs)
    assert (roots[0] / DIED).read_text(encoding="utf-8").isdecimal()
    assert found.ok
    assert (alike(found.outcomes), columns_of(roots)) == here


def test_a_job_that_kills_every_worker_is_given_up_and_the_others_are_done(roots: list[Path]) -> None:
    (roots[0] / DIED).touch()
    jobs = jobs_of(roots, "standard")
    with workplace("processes", 2) as place:
        found = report(list(carry_out_all(jobs, place, always_dies)), jobs)
    bad, good = found.outcomes
    assert (bad.ok, good.ok, found.storage) == (False, True, False)
    assert bad.problem == "its worker died 3 times; perhaps memory ran out"
    assert good.cycles == good.sums_equal == 3


def test_latest_of_a_fixture_is_its_newest_though_another_has_a_newer_one(roots: list[Path]) -> None:
    (newest,) = list_runs(roots[0])
    later = dataclasses.replace(newest, fixture="pan-b1", run="20261126T210000Z-0001")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("nightturn.storage.runs.list_runs", lambda _: [later, newest])
        patched.setattr(RealFiles, "check_whole", lambda *_: None)
        (job,) = jobs_of(roots[:1], "standard", newest.fixture, "latest")
        (of_all,) = jobs_of(roots[:1], "standard", "", "latest")
    assert (job.fixture, job.run) == (newest.fixture, newest.run)
    assert (of_all.fixture, of_all.run) == (later.fixture, later.run)


def test_jobs_are_the_runs_of_all_roots_or_those_that_are_named(roots: list[Path]) -> None:
    both = jobs_of(roots, "standard")
    assert [Path(job.root) for job in both] == roots
    assert jobs_of(roots, "standard", "pan-a1", "latest") == both
    with pytest.raises(RunNotFoundError, match="contains no runs of pan-b2"):
        jobs_of(roots, "standard", "pan-b2")


@pytest.mark.parametrize(
    ("executor", "said"),
    [("ray", "no executor 'ray'"), ("tcp://127.0.0.1:1", "no Dask scheduler answers at tcp://127.0.0.1:1")],
)
def test_an_executor_that_is_not_there_is_an_error_of_the_command(
    executor: str, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("nightturn.reanalysis.workplaces.CONNECT_S_MAX", 0.2)
    with pytest.raises(ConfigError, match=said), workplace(executor, 1):
        pass
