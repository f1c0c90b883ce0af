"""The numeric fingerprint: what it names, what differs between two, and the one thread that figures are made with."""

import subprocess
import sys

import numpy as np
import pytest
import scipy
from tests.estimation.synthetic import Bench, cycles_of, record
from threadpoolctl import threadpool_info, threadpool_limits

from nightturn.estimation import finish
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.figure_drafts import Measured
from nightturn.estimation.fingerprint import fingerprint, fingerprint_change, one_blas_thread

BENCH = Bench(rate_hz=250, pole_pairs=7, slots=12, cogging={12: 0.01, 84: 0.02}, ripple={7: 0.006})
OLD = "numpy 2.4.6; numpy-blas openblas 0.3.31 SkylakeX threads=1; cpu x86_64 X86_V2 X86_V3"
NEW = "numpy 2.4.6; numpy-blas openblas 0.3.31 Haswell threads=1; cpu x86_64 X86_V2"


def blas() -> list[dict[str, object]]:
    return [found for found in threadpool_info() if found["user_api"] == "blas"]


def test_it_names_the_libraries_and_the_kernel_that_runs() -> None:
    line = fingerprint()
    assert f"numpy {np.__version__}" in line
    assert f"scipy {scipy.__version__}" in line
    for found in blas():
        assert f"{found['version'] or 'unknown'} {found.get('architecture') or 'unknown'} threads=1" in line
    assert "; cpu " in line
    assert "; libm " in line


def test_it_names_the_blas_of_scipy_though_nobody_has_used_it_yet() -> None:
    script = (
        "from nightturn.estimation.fingerprint import fingerprint\n"
        "line = fingerprint()\n"
        "import scipy.linalg, threadpoolctl\n"
        "seen = [found for found in threadpoolctl.threadpool_info() if found['user_api'] == 'blas']\n"
        "print(line.count('threads=1') - len(seen))"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "0"


def test_what_differs_is_said_part_by_part() -> None:
    assert fingerprint_change(OLD, NEW) == "numpy-blas SkylakeX -> Haswell, cpu X86_V3 -> (none)"
    assert fingerprint_change(NEW, OLD) == "numpy-blas Haswell -> SkylakeX, cpu (none) -> X86_V3"
    assert fingerprint_change(OLD, OLD) == ""
    assert fingerprint_change("numpy", "numpy; scipy 1.17") == "scipy (none) -> 1.17"
    assert fingerprint_change("", "") == ""


def test_one_thread_inside_and_as_many_as_before_behind() -> None:
    with threadpool_limits(2):
        before = [found["num_threads"] for found in blas()]
        with one_blas_thread():
            assert {found["num_threads"] for found in blas()} <= {1}
        assert [found["num_threads"] for found in blas()] == before


def test_a_cycle_is_finished_with_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = set[object]()
    measure = finish.measure

    def watched(sums: CycleSums, conditions: Conditions) -> Measured:
        seen.update(found["num_threads"] for found in blas())
        return measure(sums, conditions)

    monkeypatch.setattr(finish, "measure", watched)
    sums = cycles_of(record(BENCH))[0]
    with threadpool_limits(2):
        found = finish.finish_cycle(sums, BENCH.conditions(), 0, 0, 0, 0)
    assert seen <= {1}
    assert found.fingerprint == fingerprint()
