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

LONGEST_FIRST = (
    "daemon/test_travel.py",
    "daemon/test_commands.py",
    "bench/test_recovery_crash.py",
    "daemon/test_cards.py",
    "device/test_static.py",
    "simulation/test_against_truth.py",
    "daemon/test_daemon_ends.py",
    "daemon/test_serve.py",
    "daemon/test_one_owner.py",
    "replay/test_kernels.py",
    "device/test_state_machine.py",
)
"""Files that take longer than half a minute; the others keep their order."""

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


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first."""
    tests = Path(__file__).parent

    def place(item: pytest.Item) -> int:
        name = item.path.relative_to(tests).as_posix()
        return LONGEST_FIRST.index(name) if name in LONGEST_FIRST else len(LONGEST_FIRST)

    items.sort(key=place)
