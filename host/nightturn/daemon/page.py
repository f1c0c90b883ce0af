"""The page of a daemon: a process beside it, fed with what is newest; whatever happens to it ends no night."""

from pathlib import Path

import structlog

from nightturn.errors import ConfigError
from nightturn.settings.rig import Rig
from nightturn.web.child import PageProcess
from nightturn.web.feed import Feed, Fixtures
from nightturn.web.listening import address_of

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class DaemonPage:
    """What `[web]` asks for; without it there is nothing, and nothing is fed.

    Attributes:
        feed: a sink for rows; None without a page.
    """

    def __init__(self, rig: Rig, root: Path) -> None:
        """Nothing listens before `start`.

        Raises:
            ConfigError: `[web] listen` is no address that the page may use.
        """
        self.feed: Feed | None = None
        self._process: PageProcess | None = None
        if rig.web is not None:
            names = tuple(each.id for each in rig.fixture)
            address = address_of(rig.web.listen, where="[web] listen")
            self.feed = Feed(Fixtures(names, f"{rig.bench.lab}, {rig.bench.name}", rig.bench.timezone))
            self._process = PageProcess(root, address, fed=True)

    def start(self) -> None:
        """Open the page; what keeps it from that is a line of the log."""
        if self._process is None or self.feed is None:
            return
        try:
            self._process.start()
        except ConfigError as problem:
            log.warning("no_page", detail=f"without its page: {problem}")
            return
        assert self._process.line is not None
        self.feed.start(self._process.line, _gone)
        log.info("page", detail=f"the page is at {self._process.url}")

    def close(self) -> None:
        """End the page."""
        if self.feed is not None:
            self.feed.close()
        if self._process is not None:
            self._process.close()


def _gone() -> None:
    log.warning("page_gone", detail="the page's process has ended; the night goes on without it")
