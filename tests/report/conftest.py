"""A recorded night of one fixture with a guard, a gap and a restart of the device, that reports are made of."""

import shutil
from pathlib import Path

import pytest
from replay_logs.make import Recorded
from tests.reanalysis.conftest import TROUBLED
from tests.recorded import recorded as recording
from tests.report.test_document import night

from nightturn.report.night import ReportNight


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Three cycles and broken ones."""
    return recording(tmp_path_factory, TROUBLED)


@pytest.fixture
def root(recorded: Recorded, tmp_path: Path) -> Path:
    """The same data root, this test's own."""
    shutil.copytree(recorded.root, tmp_path / "nights")
    return tmp_path / "nights"


@pytest.fixture(scope="session")
def one(recorded: Recorded) -> ReportNight:
    """What a report of it is made of, read once."""
    return night(recorded.root)
