"""The two ways in which a test lets real time pass: until a condition holds, or for as long as an act upon a device takes.

No other test sleeps; `tests/test_tidy.py` holds that.
"""

import time
from collections.abc import Callable

LIMIT_S = 40.0  # generous: it only matters when something is broken
POLL_S = 0.02


def wait(holds: Callable[[], bool], what: Callable[[], str], limit_s: float = LIMIT_S) -> None:
    """Return as soon as the condition holds; `what` says why it does not when the limit is reached."""
    deadline_s = time.monotonic() + limit_s
    while not holds():
        assert time.monotonic() < deadline_s, what()
        time.sleep(POLL_S)


def act_for(seconds: float, act: str) -> None:
    """An act that is a stretch of time by nature: a cable that is out, a host that does not read, a recording so long."""
    assert act, "a fixed time needs its reason"
    time.sleep(seconds)
