"""Who in the daemon's first process hears of its fixtures: the alarms, and the publisher and the page where there are."""

from collections.abc import Mapping

from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.model.records import Emit
from nightturn.telemetry.publisher import Publisher
from nightturn.web.feed import Feed


class Audience:
    """A sink for rows, and for what stands on a fixture; publisher and page are None where the rig file names none."""

    def __init__(self, desk: AlarmDesk, publisher: Publisher | None, page: Feed | None = None) -> None:
        self.desk = desk
        self.publisher = publisher
        self._page = page

    def offer(self, fixture: str, emit: Emit) -> None:
        """A row of a fixture."""
        self.desk.offer(fixture, emit)
        if self._page is not None:
            self._page.offer(fixture, emit)
        if self.publisher is not None:
            self.publisher.offer(fixture, emit)

    def announce(self, fixture: str, info: Mapping[str, object]) -> None:
        """What stands on a fixture whose run opens."""
        self.desk.announce(fixture, info)
        if self.publisher is not None:
            self.publisher.announce(fixture, info)

    def begin_again(self, fixture: str) -> None:
        """Whoever spoke for a fixture is gone, and another one follows."""
        self.desk.begin_again(fixture)
