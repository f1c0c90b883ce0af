"""The page of a daemon: a process beside it, fed with what is newest; whatever happens to it ends no night."""

import socket
import threading
from pathlib import Path

import structlog

from nightturn.daemon.page_process import run as run_process
from nightturn.errors import ConfigError, StorageError
from nightturn.settings.rig import Rig
from nightturn.settings.web import WebPart
from nightturn.web.child import Order, PageProcess
from nightturn.web.feed import Feed, Fixtures
from nightturn.web.listening import Address, Tls, address_of
from nightturn.web.people import People

WHERE = "[web] listen"
AGAIN_S = 2
AGAIN_MAX = 20
"""Times that the page is started again in one life of the daemon."""

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class DaemonPage:
    """What `[web]` asks for; without it there is nothing, and nothing is fed.

    Attributes:
        feed: a sink for rows; None without a page.
    """

    def __init__(self, bench: Path, rig: Rig, root: Path) -> None:
        """Nothing listens before `start`."""
        self._bench, self._part, self._root = bench, rig.web, root
        self._process: PageProcess | None = None
        self._closed = threading.Event()
        self._times = 0
        names = tuple(each.id for each in rig.fixture)
        said = Fixtures(names, rig.bench.lab, f"{rig.bench.lab}, {rig.bench.name}", rig.bench.timezone)
        self.feed = Feed(said) if rig.web is not None else None

    def start(self) -> None:
        """Open the page; what keeps it from that is a line of the log."""
        if self._part is None or self.feed is None:
            return
        try:
            tls = tls_of(self._bench, self._part)
            order = Order(self._root, listens_at(self._part, tls, self._root), fed=True, tls=tls)
            process = PageProcess(order, run_process)
            process.start()
        except (ConfigError, StorageError) as problem:
            log.warning("no_page", detail=f"without its page: {problem}")
            return
        self._process = process
        assert process.line is not None
        self.feed.start(process.line, self._gone)
        log.info("page", detail=f"the page is at {process.url}")

    def close(self) -> None:
        """End the page."""
        self._closed.set()
        if self.feed is not None:
            self.feed.close()
        if self._process is not None:
            self._process.close()

    def _gone(self) -> None:
        """The process has ended by itself; on the feed's thread, which ends here."""
        self._times += 1
        again = self._times <= AGAIN_MAX
        goes_on = f"it is started again in {AGAIN_S} s" if again else "it is not started again"
        log.warning("page_gone", detail=f"the page's process has ended; the night goes on, {goes_on}")
        if self._process is not None:
            self._process.close()
        if again and not self._closed.wait(AGAIN_S):
            self.start()


def tls_of(bench: Path, part: WebPart) -> Tls | None:
    """The certificate that the rig file names; None where it names none.

    Raises:
        ConfigError: it names one of the two, or they cannot be used.
    """
    if part.cert is None and part.key is None:
        return None
    if part.cert is None or part.key is None:
        raise ConfigError("one is there without the other", where="[web] cert, key", allowed="both, or none")
    tls = Tls(str(bench.parent / part.cert), str(bench.parent / part.key))
    tls.check()
    return tls


def listens_at(part: WebPart, tls: Tls | None, root: Path) -> Address:
    """Where the page listens.

    Raises:
        ConfigError: it is no address; or others than this computer could ask there, and there is no certificate, or nobody who may sign in.
    """
    address = address_of(part.listen, where=WHERE, guarded=True, others=(*part.names, socket.gethostname()))
    if address.loopback:
        return address_of(part.listen, where=WHERE, others=part.names)
    if tls is None:
        raise ConfigError(
            f"{address.host} can be reached by others, and there is no certificate",
            where=WHERE,
            allowed="a loopback address, or [web] cert and key",
        )
    if not People(root).listed():
        raise ConfigError(
            f"{address.host} can be reached by others, and nobody may sign in",
            where=WHERE,
            allowed="a loopback address, or people by `nightturn users add`",
        )
    return address
