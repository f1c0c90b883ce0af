"""Once an hour: small files of ended runs are joined, and what retention says goes, as `nightturn tidy --apply` does it."""

import asyncio
from pathlib import Path

import structlog

from nightturn.errors import StorageError
from nightturn.settings.rig import Retention
from nightturn.storage.joining import join_ended
from nightturn.storage.tidying import Tidied, tidy
from nightturn.world import World

CLEAR_S = 3600.0
JOIN_AFTER_S = 60.0  # a start removes temporary files that it finds, also those of a joining beside it
BY = "serve"
AGAIN = "tried again in an hour"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


async def clear_old(world: World, root: Path, rule: Retention) -> None:
    """Join what can be joined, and clear what is past its age or bytes, once an hour; runs that are kept stay for ever."""
    while True:
        await world.offload(lambda: _clear_once(world, root, rule))
        await asyncio.sleep(JOIN_AFTER_S)
        await world.offload(lambda: _join_once(world, root))
        await asyncio.sleep(CLEAR_S - JOIN_AFTER_S)


def _join_once(world: World, root: Path) -> None:
    try:
        joined = join_ended(root, world.files)
    except (StorageError, OSError) as error:
        _files_not_joined(error)
    else:
        if joined.made:
            log.info("files_joined", runs=joined.runs, files=joined.gone, into=joined.made)


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
