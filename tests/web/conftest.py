"""A recorded night of one fixture, and the page over it without a socket."""

import warnings
from collections.abc import Iterator

import pytest
from replay_logs.make import Recorded
from starlette.exceptions import StarletteDeprecationWarning
from tests.reanalysis.conftest import TROUBLED
from tests.recorded import recorded as recording

from nightturn.web.app import Facts, application
from nightturn.web.nights import Nights

with warnings.catch_warnings():
    # It prefers another client to httpx, which is the one that the lock has.
    warnings.simplefilter("ignore", StarletteDeprecationWarning)
    from starlette.testclient import TestClient

__all__ = ["TestClient"]

BASE = "http://127.0.0.1:8742"
SOCKET = "ws://127.0.0.1:8742"
NOW_NS = 1_795_900_000_000_000_000


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Three cycles and broken ones, whose daemon has died."""
    return recording(tmp_path_factory, TROUBLED)


def client_of(nights: Nights, *, recording: bool = False) -> TestClient:
    """A browser of httpx in front of the page of some nights."""
    facts = Facts("nights", lambda: recording, lambda: NOW_NS)
    return TestClient(application(nights, facts, ("127.0.0.1",)), base_url=BASE)


@pytest.fixture(scope="session")
def nights(recorded: Recorded) -> Nights:
    """What is read of the recorded night, once for every test."""
    return Nights(recorded.root)


@pytest.fixture(scope="session")
def client(nights: Nights) -> Iterator[TestClient]:
    """The page of the recorded night."""
    with client_of(nights) as made:
        yield made
