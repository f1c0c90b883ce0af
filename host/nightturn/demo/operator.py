"""The invented person of the demo, who tries the guard and says `go` once a device streams."""

import asyncio
from collections.abc import Callable
from typing import Protocol

from nightturn.bench.station import Station
from nightturn.motion.interlocks import GUARD_CLOSED
from nightturn.motion.permission import Cause, MotionState

LOOK_S = 0.05
ROUND_S = 60.0
"""How often this person passes by."""
INSPECTION_S = 240.0
"""How long a look at a parked unit takes."""


class Rig(Protocol):
    """Where this person can open and close the guard."""

    def guard(self, *, closed: bool) -> None:
        """Close it, or open it."""
        ...


async def say_go(station: Station, operator: str, unit: str, rig: Rig | None) -> None:
    """Give permission to turn this unit as soon as it can be given, as a person at the rig would.

    Args:
        station: the run that is open.
        operator: whose word it is.
        unit: the unit that is meant to turn.
        rig: has the guard; None where there is none that this person could open.
    """
    await _until(
        station, lambda: station.core.state.device.streams and station.core.state.watch.inputs_tick >= 0
    )
    if rig is not None:
        rig.guard(closed=False)
        await _until(station, lambda: station.core.state.motion.permission.guard_seen_open)
        rig.guard(closed=True)
        await _until(station, lambda: bool(station.core.state.watch.inputs & GUARD_CLOSED))
    station.command("go", operator, unit)
    station.sync_now()  # a permission has to be on the disk before anything turns, and a night in virtual time seldom syncs


async def look_when_parked(station: Station, operator: str, unit: str) -> None:
    """Look at the unit whenever its plan has parked it, and say `go` again; anything else that has stopped it waits for somebody else."""
    while not station.ended.is_set():
        await asyncio.sleep(ROUND_S)
        if _parked(station):
            await asyncio.sleep(INSPECTION_S)
            station.command("go", operator, unit)
            station.sync_now()


def _parked(station: Station) -> bool:
    permission = station.core.state.motion.permission
    reasons = [reason.cause for reason in permission.reasons]
    return permission.state is MotionState.LOCKED and reasons == [Cause.PARKED]


async def _until(station: Station, holds: Callable[[], bool]) -> None:
    while not holds() and not station.ended.is_set():  # noqa: ASYNC110 - what is seen has no event of its own
        await asyncio.sleep(LOOK_S)
