"""Where jobs are carried out: a pool of processes on this machine, or a Dask cluster; both are `concurrent.futures` executors."""

import multiprocessing
import os
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass

from nightturn.errors import ConfigError

PROCESSES, DASK, SCHEDULER = "processes", "dask", "tcp://"
ALLOWED = f'"{PROCESSES}", "{DASK}" for a cluster on this machine, or tcp://HOST:PORT of a Dask scheduler'
CONNECT_S_MAX = 10.0
AT_ONCE_MAX = 1000


@dataclass(frozen=True, slots=True)
class Workplace:
    """Where jobs are carried out.

    Attributes:
        begin: an executor for as long as the context lasts; begun again after a worker has died.
        at_once: how many jobs it gets at a time.
        lost: what a future raises when its worker has died.
    """

    begin: Callable[[], AbstractContextManager[Executor]]
    at_once: int
    lost: tuple[type[BaseException], ...]


@contextmanager
def workplace(executor: str, workers: int) -> Iterator[Workplace]:
    """The workplace of that name; `workers` 0 takes a process for each processor. A scheduler has its own workers.

    Raises:
        ConfigError: no such executor, Dask is not installed, or no scheduler answers.
    """
    workers = workers or len(os.sched_getaffinity(0))
    if executor == PROCESSES:
        yield Workplace(lambda: _pool(workers), workers, (BrokenExecutor,))
    elif executor == DASK or executor.startswith(SCHEDULER):
        with _cluster("" if executor == DASK else executor, workers) as place:
            yield place
    else:
        raise ConfigError(f"no executor {executor!r}", where="--executor", allowed=ALLOWED)


def _pool(workers: int) -> ProcessPoolExecutor:
    # Spawned: a forked child would inherit the threads' locks of the numeric libraries.
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


@contextmanager
def _cluster(address: str, workers: int) -> Iterator[Workplace]:
    try:
        from distributed import Client, LocalCluster
        from distributed.scheduler import KilledWorker
    except ModuleNotFoundError as problem:
        what = f"Dask is not installed ({problem.name} is missing); `pip install nightturn[scale]` brings it"
        raise ConfigError(what, where="--executor", allowed=ALLOWED) from problem
    if not address:
        with (
            LocalCluster(
                n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None
            ) as cluster,
            Client(cluster) as client,
        ):
            yield Workplace(client.get_executor, workers, (KilledWorker,))
        return
    try:
        client = Client(address, timeout=CONNECT_S_MAX)
    except (OSError, ValueError) as problem:
        raise ConfigError(
            f"no Dask scheduler answers at {address}: {problem}", where="--executor", allowed=ALLOWED
        ) from problem
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise ConfigError(f"the Dask scheduler at {address} has no workers", where="--executor")
        yield Workplace(client.get_executor, min(2 * threads, AT_ONCE_MAX), (KilledWorker,))
