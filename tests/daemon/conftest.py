"""Processes that never outlive their test."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.daemon.processes import Processes


@pytest.fixture
def processes(tmp_path: Path) -> Iterator[Processes]:
    running = Processes(tmp_path)
    yield running
    running.end()
