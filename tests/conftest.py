"""What every test may use: one profile of property tests, with no limit on an example's time because no test judges a
machine's speed; the native device, where a test needs some device on a line; programs that never outlive their test."""

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from tests.daemon.processes import Processes
from tests.device.native import NativeDevices

settings.register_profile(
    "nightturn", parent=settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("nightturn")

# A shell that starts the tests in the background has SIGINT ignored, and every program that a test starts and
# interrupts would inherit that and never end.
signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def native_device(tmp_path: Path) -> Iterator[NativeDevices]:
    """Starts native devices by name and options; all of them end with the test."""
    devices = NativeDevices(tmp_path)
    yield devices
    devices.end()


@pytest.fixture
def processes(tmp_path: Path) -> Iterator[Processes]:
    """Starts `nightturn` with words of a command line."""
    running = Processes(tmp_path)
    yield running
    running.end()
