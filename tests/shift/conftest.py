"""A data root with a run that has ended and two cycles in it."""

import shutil
from pathlib import Path

import msgspec
import pytest
from tests.fixture.test_certificate import VARIANT
from tests.storage import damages
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS

from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, read_manifest, write_manifest

HOUR_NS = 3_600_000_000_000
NOW_NS = STARTED_NS + 12 * HOUR_NS


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One run of Q-0117 that lasted six hours, from 22:30 to 04:30 by the clocks of its bench."""
    place = damages.recorded(tmp_path_factory.mktemp("shift") / "nights")
    files = RealFiles(place)
    manifest = read_manifest(files, FIXTURE, RUN)
    ended = msgspec.structs.replace(
        manifest,
        state=ENDED,
        ended_utc_ns=STARTED_NS + 6 * HOUR_NS,
        timezone="Europe/Vienna",
        variant=msgspec.json.encode(VARIANT).decode(),
    )
    write_manifest(files, ended)
    return place


@pytest.fixture
def root(made_once: Path, tmp_path: Path) -> Path:
    """The same, this test's own."""
    shutil.copytree(made_once, tmp_path / "nights")
    return tmp_path / "nights"
