"""Recordings that many tests read and none changes: made once a session."""

from pathlib import Path

import pytest
from replay_logs.make import Recorded, record
from tests.replay.scenes import BRIEF, LATER_NS, MEASURED, SEGMENTS, quiet


@pytest.fixture(scope="session")
def brief(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tape of a few seconds: handshake, first moves, end."""
    with quiet():
        return record(BRIEF, tmp_path_factory.mktemp("brief")).segments[0]


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run of two short cycles with an outage between them."""
    with quiet():
        return record(MEASURED, tmp_path_factory.mktemp("measured"))


@pytest.fixture(scope="session")
def segments(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run in several segments, over a restart of the host."""
    root = tmp_path_factory.mktemp("segments")
    with quiet():
        record(SEGMENTS, root)
        return record(SEGMENTS, root, LATER_NS)
