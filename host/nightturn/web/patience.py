"""HTTP that lets go of a connection on which nobody asks anything: descriptors are few, and opening a thousand sockets costs nothing."""

import asyncio

from typing_extensions import override
from uvicorn.protocols.http.h11_impl import H11Protocol

PATIENCE_S = 10.0
"""From the connection to the whole head of its first request; between requests uvicorn's own 5 s hold."""


class PatientProtocol(H11Protocol):
    """Closes what has not become a request, or a socket of the page, in time."""

    patience_s = PATIENCE_S

    @override
    def connection_made(  # type: ignore[override]  # uvicorn names the transport more narrowly than asyncio does
        self, transport: asyncio.Transport
    ) -> None:
        super().connection_made(transport)
        self.loop.call_later(self.patience_s, self._let_go, transport)

    def _let_go(self, transport: asyncio.Transport) -> None:
        """It became a socket where another protocol has the transport; it asked where a request has begun its answer."""
        began = self.cycle is not None or transport.get_protocol() is not self
        if not began and not transport.is_closing():
            transport.close()  # type: ignore[unreachable]  # uvicorn declares a cycle that is there from the first, and begins with None
