"""The invented person of the demo, who says `go` once a device streams."""

import asyncio

from nightturn.bench.station import Station

LOOK_S = 0.05


async def say_go(station: Station, operator: str, unit: str) -> None:
    """Give permission to turn this unit as soon as it can be given, as a person at the rig would."""
    state = station.core.state
    while not (state.running and state.watch.inputs_tick >= 0) and not station.ended.is_set():
        await asyncio.sleep(LOOK_S)
        state = station.core.state
    station.command("go", operator, unit)
    station.sync_now()  # a permission has to be on the disk before anything turns, and a night in virtual time seldom syncs
