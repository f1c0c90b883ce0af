"""A connection that only reads, on a loop in a thread of its own: what it hears goes to a `Fleet`."""

import asyncio
import secrets
import threading

from nightturn.telemetry.address import Address
from nightturn.telemetry.client import Connection, Publish, Timing
from nightturn.telemetry.fleet import FILTERS, Fleet


class FleetReader:
    """Reads until the process ends; a broker that is away is waited for."""

    def __init__(self, address: Address, fleet: Fleet, timing: Timing | None = None) -> None:
        """Nothing is read before `start`."""
        self._connection = Connection(
            address,
            identifier=f"nightturn-page-{secrets.token_hex(4)}",
            will=None,
            watch=FILTERS,
            on_message=fleet.take,
            timing=timing,
        )
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        self._thread = threading.Thread(target=self._main, name="nightturn-fleet", daemon=True)
        self.text = address.text

    @property
    def connected(self) -> bool:
        """Whether a broker has accepted us and not gone since."""
        return self._connection.connected

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def close(self) -> None:
        """End."""
        self._loop.call_soon_threadsafe(self._end)
        self._thread.join()

    def _end(self) -> None:
        self._over.set()
        self._connection.stop()

    def _main(self) -> None:
        self._loop.run_until_complete(self._connection.run(self._serve))
        self._loop.close()

    async def _serve(self, _publish: Publish) -> None:
        await self._over.wait()
