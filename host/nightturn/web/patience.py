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
        if not self._asked and transport.get_protocol() is self and not transport.is_closing():
            transport.close()

    @property
    def _asked(self) -> bool:
        """Whether a request has begun its answer; uvicorn declares a cycle that is always there, and begins with None."""
        return bool(self.cycle)
