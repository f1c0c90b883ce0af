"""Once an hour: small files of ended runs and raw chunks of closed hours are joined, and what retention says goes, as `nightturn tidy --apply` does it.

Small datasets are joined on a thread, raw chunks in a process of their own, which no seal waits for, and which is begun only where there are some. At
the daemon's end it is killed: whatever it leaves is whole, and goes on in the next round.
"""

import asyncio
from pathlib import Path

import structlog

from nightturn.errors import StorageError
from nightturn.settings.retained import Retention
from nightturn.storage.joining import RUNS_MAX, join_ended
from nightturn.storage.joining_raw import may_have_hours
from nightturn.storage.sealer import Joiner
from nightturn.storage.tidying import Tidied, tidy
from nightturn.world import World

CLEAR_S = 3600.0
JOIN_AFTER_S = 60.0  # a start removes temporary files that it finds, also those of a joining beside it
BY = "serve"
AGAIN = "tried again in an hour"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


async def clear_old(world: World, root: Path, rule: Retention, joiner: Joiner) -> None:
    """Join what can be joined, and clear what is past its age or bytes, once an hour; runs that are kept stay for ever."""
    whole: dict[tuple[str, str], int] = {}
    while True:
        await world.offload(lambda: _clear_once(world, root, rule))
        await asyncio.sleep(JOIN_AFTER_S)
        await world.offload(lambda: _join_once(world, root))
        try:
            await world.offload(lambda: _join_samples(world, root, joiner, whole))
        except asyncio.CancelledError:
            joiner.stop()
            raise
        await asyncio.sleep(CLEAR_S - JOIN_AFTER_S)


def _join_once(world: World, root: Path) -> None:
    try:
        joined = join_ended(root, world.files)
    except (StorageError, OSError) as error:
        _files_not_joined(error)
    else:
        if joined.made:
            log.info("files_joined", runs=joined.runs, files=joined.gone, into=joined.made)


def _join_samples(world: World, root: Path, joiner: Joiner, whole: dict[tuple[str, str], int]) -> None:
    """Join raw chunks by the hour: of every run under way, and of some that are over a round.

    `whole` are the runs in which nothing was left to join, with how many chunks they had when that was asked.
    """
    try:
        due = [found for found in may_have_hours(root) if whole.get(found[0][:2]) != found[1]]
        over = [found for found in due if found[0].over][:RUNS_MAX]
        due = [*(found for found in due if not found[0].over), *over]
        if not due:
            return
        with joiner:
            for run, chunks in due:
                _join_samples_of(world, run[:2], joiner)
                whole[run[:2]] = chunks
    except (StorageError, OSError) as error:
        _files_not_joined(error)


def _join_samples_of(world: World, run: tuple[str, str], joiner: Joiner) -> None:
    files = into = 0
    while (hours := joiner.join(*run, world.clock.utc_ns(), BY)).files:
        files, into = files + hours.files, into + hours.into
    if into:
        log.info("samples_joined", fixture=run[0], run=run[1], files=files, into=into)
    if hours.problem:
        log.warning("not_joined", fixture=run[0], run=run[1], why=hours.problem)


def _files_not_joined(error: Exception) -> None:
    log.error("files_not_joined", why=str(error), next=AGAIN)


def _clear_once(world: World, root: Path, rule: Retention) -> None:
    try:
        tidied = tidy(root, rule, world.clock.utc_ns(), BY, apply=True)
    except (StorageError, OSError) as error:
        _old_files_stay(error)
    else:
        _old_files_cleared(tidied)


def _old_files_stay(error: Exception) -> None:
    log.error("old_files_stay", why=str(error), next=AGAIN)


def _old_files_cleared(tidied: Tidied) -> None:
    for each in tidied.cleared:
        log.info(
            "old_files_cleared",
            fixture=each.fixture,
            run=each.run,
            kind=each.kind,
            files=each.files,
            size_bytes=each.bytes,
            why=each.why,
        )
