"""A sink that puts into the daemon's log what people at the rig must know: motion, warnings and alarms."""

import structlog

from nightturn.model.records import Emit
from nightturn.model.rows import EventRow

log: structlog.stdlib.BoundLogger = structlog.get_logger()
MOTION = "motion_"
BY_THE_LINE = frozenset({"line_lost"})
"""What the line logs itself; a line that the host closes at the end is no warning."""
LEVELS = {"alarm": "error", "warning": "warning"}


class Spoken:
    """Logs events as they come; the first motion after a wait is announced here before it begins."""

    def offer(self, fixture: str, row: Emit) -> None:
        """One row of a fixture; most are not for the log."""
        event = row.row
        if not isinstance(event, EventRow) or event.kind in BY_THE_LINE:
            return
        level = LEVELS.get(event.severity, "info" if event.kind.startswith(MOTION) else "")
        if level:
            getattr(log, level)(event.kind, fixture=fixture, detail=event.detail)
