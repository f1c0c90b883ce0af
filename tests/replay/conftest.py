"""Recordings that many tests read and none changes: made once a session."""

from pathlib import Path

import pytest
from replay_logs.make import START_UTC_NS, Recorded
from tests.recorded import recorded
from tests.replay.scenes import BRIEF, LATER_NS, MEASURED, SEGMENTS

from nightturn.storage.segment import unpack


@pytest.fixture(scope="session")
def brief(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tape of a few seconds: handshake, first moves, end."""
    sealed = recorded(tmp_path_factory, BRIEF).segments[0]
    # As it was while it was written: damage of the compressed form has tests of its own.
    plain = tmp_path_factory.mktemp("plain") / sealed.name
    plain.write_bytes(unpack(sealed.read_bytes())[0])
    return plain


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run of two short cycles with an outage between them."""
    return recorded(tmp_path_factory, MEASURED)


@pytest.fixture(scope="session")
def segments(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """A run in several segments, over a restart of the host."""
    return recorded(tmp_path_factory, (SEGMENTS, START_UTC_NS), (SEGMENTS, LATER_NS))
