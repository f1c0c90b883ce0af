"""Kill -9 of the real daemon, again and again, at moments drawn from a seed: nothing is missing unexplained, and the run goes on.

A kill proves the logic of a restart. What a power cut leaves is enumerated by tests/storage/test_crash.py and
tests/bench/test_recovery_crash.py.
"""

from pathlib import Path

import numpy as np
import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.waiting import act_for

from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs
from nightturn.storage.verify import verify

PORTS = {"pan-a1": "virtual:pan15?seed=7", "pan-a2": "virtual:pan15?seed=8"}


@pytest.mark.parametrize("kills", [10, pytest.param(200, marks=pytest.mark.long)])
def test_a_daemon_that_is_killed_again_and_again_loses_nothing_that_it_does_not_name(
    tmp_path: Path, processes: Processes, kills: int
) -> None:
    bench = write_bench(tmp_path, PORTS)
    for fixture in PORTS:
        mount(tmp_path, fixture)
    moments = np.random.default_rng(kills)
    for _ in range(kills):
        serve = processes.start("serve", str(bench))
        serve.says("run_open", len(PORTS))
        act_for(float(moments.uniform(0.0, 1.5)), "recording until the kill, at any moment")
        serve.kill()
    last = processes.start("serve", str(bench))
    last.says("run_open", len(PORTS))
    assert last.interrupt() == 0

    found = list_runs(tmp_path / "nights")
    assert sorted(each.fixture for each in found) == sorted(PORTS)  # one run each, however often it went on
    report = verify(tmp_path / "nights", run="all")
    assert report.ok, [problem for each in report.runs for problem in each.problems]
    for each in found:
        frame = Run(tmp_path / "nights", each.fixture, each.run).samples(columns=["epoch", "index"])
        assert not frame.duplicated(["epoch", "index"]).any()
        assert frame["epoch"].nunique() > kills // 2  # a life of a moment may have stored nothing
