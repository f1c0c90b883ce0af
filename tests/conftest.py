"""What every test may use: one profile of property tests, with no limit on an example's time because no test judges a
machine's speed; the native device, where a test needs some device on a line; programs that never outlive their test."""

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from tests.daemon.processes import Processes
from tests.device.native import NativeDevices
from tests.storage.crash_states import Walked

# The same examples in every run, so that a change is judged by what it changed; `--long` draws new ones. What it finds becomes
# an `@example`.
settings.register_profile(
    "same",
    parent=settings(),
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile(
    "searching", parent=settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("same")

STATES = "states of a disk after a death"

LONGEST_FIRST = (
    "device/test_daemon_on_firmware.py",
    "device/test_native_measured.py",
    "daemon/test_workers.py",
    "daemon/test_cards.py",
    "daemon/test_commands.py",
    "daemon/test_travel.py",
    "daemon/test_daemon_ends.py",
    "device/test_bad_cable.py",
    "daemon/test_disk_full.py",
    "daemon/test_refused_calls.py",
    "daemon/test_latched.py",
    "daemon/test_hanging_disk.py",
    "daemon/test_one_owner.py",
    "daemon/test_serve.py",
    "daemon/test_failed_starts.py",
    "daemon/test_dies_in_recovery.py",
    "daemon/test_used_up.py",
    "bench/test_recovery.py",
    "device/test_mps2.py",
    "demo/test_emulated.py",
    "device/test_native_line.py",
    "cli/test_screens.py",
    "device/test_static.py",
    "bench/test_recovery_crash.py",
    "simulation/test_night.py",
    "demo/test_demo.py",
    "replay/test_kernels.py",
    "device/test_fuzz.py",
    "device/test_sanitized.py",
    "simulation/test_motion_resumes.py",
    "simulation/test_motion.py",
    "simulation/test_against_truth.py",
    "estimation/test_truth.py",
    "device/test_coverage.py",
    "estimation/test_friction.py",
    "estimation/test_noise_model.py",
    "estimation/test_coverage.py",
    "replay/test_replay_logs.py",
    "device/test_drivers_builds.py",
    "device/test_native.py",
    "device/test_state_machine.py",
)
"""The files that take longest, as far as they decide how well the workers share the work; the others keep their order.

Eight emulated boards begin the first, and what runs beside them is the one that a busy machine harms least."""

# A shell that starts the tests in the background has SIGINT ignored, and every program that a test starts and
# interrupts would inherit that and never end.
signal.signal(signal.SIGINT, signal.default_int_handler)


def _is_open(descriptor: int) -> None:
    """In place of a sync: a descriptor that is none fails as it would there."""
    os.fstat(descriptor)


@pytest.fixture(scope="session", autouse=True)
def _without_waiting_for_the_disk() -> Iterator[None]:
    """Inside a test's own process a sync returns at once: simulated nights ask for thousands, of disks that need milliseconds each.

    What a cut of the power leaves is told by the model in `tests/storage/crash_states.py`, from the order of the operations; the
    daemons that tests start are other processes and wait for the disk as ever.
    """
    with pytest.MonkeyPatch.context() as patch:
        for name in ("fsync", "fdatasync"):
            patch.setattr(os, name, _is_open)
        yield


@pytest.fixture(autouse=True)
def _states_walked(record_property: Callable[[str, object], None]) -> Iterator[None]:
    """Notes how many states of a disk after a death a test looked at."""
    before = Walked.states
    yield
    if Walked.states > before:
        record_property(STATES, Walked.states - before)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """The number of those states, over all workers."""
    noted = [
        value
        for reports in terminalreporter.stats.values()
        for report in reports
        if getattr(report, "when", "") == "teardown"
        for name, value in getattr(report, "user_properties", ())
        if name == STATES
    ]
    if noted:
        terminalreporter.write_line(f"{sum(noted)} {STATES} in {len(noted)} tests")


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
