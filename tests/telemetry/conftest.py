"""One mosquitto for the tests that leave it as they found it, and a way to start others."""

import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from nightturn.demo.broker import Broker, find_mosquitto, start_mosquitto

StartMosquitto = Callable[..., Broker]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[StartMosquitto]:
    """Start mosquitto as often as wanted (`port=`, `extra=`); all are stopped at the end."""
    started: list[Broker] = []
    binary = find_mosquitto()
    assert binary is not None, "these tests need mosquitto (Debian: apt-get install mosquitto)"

    def begin(port: int | None = None, extra: tuple[str, ...] = ()) -> Broker:
        broker, why = start_mosquitto(binary, tmp_path / f"broker{len(started)}", port=port, extra=extra)
        assert broker is not None, why
        started.append(broker)
        return broker

    yield begin
    for broker in started:
        broker.stop()


@pytest.fixture(autouse=True)
def no_complaint_from_asyncio(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """A lost connection must not leave exceptions that nobody fetched, or tasks that nobody ended."""
    with caplog.at_level(logging.WARNING, logger="asyncio"):
        yield
    complaints = [record.getMessage() for record in caplog.get_records("call") if record.name == "asyncio"]
    assert complaints == []
