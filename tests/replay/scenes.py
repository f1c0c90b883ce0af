"""What the recordings of these tests show."""

import contextlib
import logging
from collections.abc import Iterator

import structlog
from replay_logs.make import START_UTC_NS, Scene

from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn

QUICK = CyclePlan(
    slow_turn=SlowTurn(revolutions=2, speed_rpm=10.0),
    hold=Hold(torque_nm=5.0, revolutions=2, speed_rpm=10.0),
    exercise=Exercise(strokes=2, angle_deg=270.0, speed_rpm=18.0),
    cycles=3,
)
BRIEF = Scene("brief", "pan15?seed=3", "the first seconds", plan=QUICK, seconds_max=6.0)
MEASURED = Scene(
    "measured",
    "pan15?seed=4&ring_bytes=16384&fault=outage@150s+8s",
    "two cycles, and a line lost in the third",
    plan=QUICK,
    seconds_max=170.0,
)
SEGMENTS = Scene("segments", "pan15?seed=5", "a run that goes on", plan=QUICK, seconds_max=25.0, chunk_s=10.0)
LATER_NS = START_UTC_NS + 60_000_000_000


@contextlib.contextmanager
def quiet() -> Iterator[None]:
    """The station's log stays out of the tests' output."""
    before = structlog.get_config()
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL), cache_logger_on_first_use=False
    )
    try:
        yield
    finally:
        structlog.configure(**before)
