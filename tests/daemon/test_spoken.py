"""What of a fixture's rows stands in the daemon's log."""

import pytest
from structlog.testing import capture_logs

from nightturn.daemon.spoken import Spoken
from nightturn.model.records import Emit
from nightturn.model.rows import EVENTS, EventRow


@pytest.mark.parametrize(
    ("kind", "severity", "level"),
    [
        ("motion_announced", "info", "info"),
        ("torque_trip", "alarm", "error"),
        ("line_lost", "warning", ""),
        ("wall_clock_stepped", "warning", "warning"),
        ("firmware", "info", ""),
    ],
)
def test_motion_warnings_and_alarms_are_in_the_log_at_their_level(
    kind: str, severity: str, level: str
) -> None:
    with capture_logs() as said:
        Spoken().offer("pan-a1", Emit(EVENTS, EventRow(0, 0, 0, kind, severity, "turns in 5 s")))
    wanted = [{"event": kind, "fixture": "pan-a1", "detail": "turns in 5 s", "log_level": level}]
    assert said == (wanted if level else [])
