"""The broker of our own: starts, answers and goes away."""

import importlib.util
import os
import signal
import socket
from pathlib import Path

import pytest

from nightturn.demo import broker as subject


def answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=5.0):
            return True
    except OSError:
        return False


def test_mosquitto_is_preferred_and_its_port_is_free_again_after_stop(tmp_path: Path) -> None:
    broker, why = subject.start_broker(tmp_path)
    assert broker is not None, why
    assert broker.name == "mosquitto"
    assert broker.url == f"mqtt://127.0.0.1:{broker.port}"
    assert str(broker.port) in why
    assert answers(broker.port)
    broker.stop()
    broker.stop()
    assert not broker.alive
    assert not answers(broker.port)


def test_amqtt_steps_in_when_there_is_no_mosquitto(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "find_mosquitto", lambda: None)
    broker, why = subject.start_broker(tmp_path)
    assert broker is not None, why
    try:
        assert (broker.name, broker.protocol) == ("amqtt", "3.1.1")
        assert answers(broker.port)
    finally:
        broker.stop()
    assert broker.process.returncode == 0


def test_with_neither_the_reason_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(subject, "find_mosquitto", lambda: None)
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    broker, why = subject.start_broker(tmp_path)
    assert broker is None
    assert "nightturn[demo]" in why


def test_a_broker_that_cannot_start_says_why(tmp_path: Path) -> None:
    binary = subject.find_mosquitto()
    assert binary is not None
    broker, why = subject.start_mosquitto(binary, tmp_path, extra=["no_such_setting 1"])
    assert broker is None
    assert "no_such_setting" in why
    broker, why = subject.start_mosquitto(str(tmp_path / "absent"), tmp_path)
    assert broker is None
    assert "No such file" in why


def test_a_broker_that_ignores_the_polite_signal_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker, why = subject.start_broker(tmp_path)
    assert broker is not None, why
    monkeypatch.setattr(subject, "STOP_S", 0.05)
    os.kill(broker.process.pid, signal.SIGSTOP)
    broker.stop()
    assert broker.process.returncode == -signal.SIGKILL
