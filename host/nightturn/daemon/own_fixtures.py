"""The fixtures of a daemon that has one process for all."""

import asyncio
from collections.abc import Sequence

from nightturn.daemon.control import Control
from nightturn.daemon.control_protocol import Answer, Request
from nightturn.daemon.service_manager import Signs
from nightturn.daemon.watch import FixtureWatch, Shared, fixture_failed
from nightturn.settings.rig import FixtureSettings


class OwnFixtures:
    """Every fixture watched on the daemon's own loop; as `workers.Workers`.

    Attributes:
        pictures: the newest of each fixture, in the rig's order.
        troubles: none; what goes wrong here raises.
    """

    def __init__(self, fixtures: Sequence[FixtureSettings], shared: Shared) -> None:
        """Nothing is done before `start`."""
        self.pictures = shared.spoken.pictures
        self.troubles: list[Exception] = []
        self._watches = [
            FixtureWatch(each, place / len(fixtures), shared) for place, each in enumerate(fixtures)
        ]
        watches = {watch.settings.id: watch for watch in self._watches}
        self._control = Control(watches, shared.root, shared.world)

    async def __call__(self, request: Request) -> Answer:
        """As `control.Control`."""
        return await self._control(request)

    async def begin(self) -> None:
        """There is nothing to wait for."""

    def start(self) -> list[asyncio.Task[None]]:
        """Start them all; each task ends by a fault only, which is said at once."""
        return [asyncio.create_task(self._run(watch)) for watch in self._watches]

    async def close(self) -> None:
        """Close every run."""
        await asyncio.gather(*(watch.close() for watch in self._watches))

    @property
    def signs(self) -> list[Signs]:
        """What the service manager is told."""
        return [watch.signs for watch in self._watches]

    @property
    def unkept(self) -> list[str]:
        """What is not known to be on the disk; from any thread."""
        return [text for watch in self._watches if (text := watch.unkept)]

    @property
    def rejected(self) -> bool:
        """Whether a night that ended meanwhile was rejected."""
        return any(watch.rejected for watch in self._watches)

    async def _run(self, watch: FixtureWatch) -> None:
        try:
            await watch.run()
        except Exception as error:
            fixture_failed(error)
            raise
