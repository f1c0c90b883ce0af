"""What a service manager is told, by the words of sd_notify(3) and sd_watchdog_enabled(3): datagrams to a socket of ours."""

import os
import signal
import socket
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from tests.daemon.processes import Processes, mount, write_bench
from tests.waiting import act_for, wait

from nightturn.bench.proof import FRAME_AGE_S_MAX, SYNC_AGE_S_MAX, Proof
from nightturn.daemon.service_manager import ServiceManager, Signs

LIVES = Proof("pan-a1", 0.1, 0.5)
IDLE = Signs(settled=True, proof=None, word="without a run")
TURNS = Signs(settled=True, proof=LIVES, word="turning")
STARTS = Signs(settled=False, proof=None, word="without a run")
WATCHDOG = {"NOTIFY_SOCKET": "/run/notify", "WATCHDOG_USEC": "30000000"}


def said(looks: Sequence[tuple[float, list[Signs]]], environment: dict[str, str]) -> list[str]:
    """Every line that these looks send, by time of the loop."""
    sent: list[str] = []

    def send(address: str, text: str) -> None:
        assert address == "/run/notify"
        sent.extend(text.splitlines())

    manager = ServiceManager(environment, send)
    for now_s, signs in looks:
        manager.look(now_s, signs)
    return sent


def test_it_is_ready_once_when_the_last_recovery_is_over() -> None:
    lines = said([(0.0, [TURNS, STARTS]), (1.0, [TURNS, IDLE]), (2.0, [TURNS, IDLE])], {**WATCHDOG})
    assert lines.count("READY=1") == 1
    assert lines.index("READY=1") > lines.index("WATCHDOG=1")  # a long recovery must not be taken for a hang


def test_a_beat_comes_at_half_the_time_that_the_service_manager_waits() -> None:
    looks = [(0.5 * count, [TURNS]) for count in range(181)]  # 90 s
    assert said(looks, {**WATCHDOG}).count("WATCHDOG=1") == 7


@pytest.mark.parametrize(
    ("proof", "why"),
    [
        (
            Proof("pan-a1", FRAME_AGE_S_MAX + 0.1, 0.5),
            "pan-a1: its line is up, and nothing was recorded for 15.1 s",
        ),
        (Proof("pan-a1", 0.1, SYNC_AGE_S_MAX + 0.1), "pan-a1: no sync of its tape has ended for 10.1 s"),
    ],
)
def test_one_fixture_without_proof_is_enough_for_no_beat(proof: Proof, why: str) -> None:
    assert proof.lacks == why
    stuck = Signs(settled=True, proof=proof, word="turning")
    lines = said(
        [(0.0, [TURNS]), (20.0, [TURNS, stuck]), (40.0, [TURNS, stuck]), (60.0, [TURNS])], {**WATCHDOG}
    )
    assert lines.count("WATCHDOG=1") == 2


def test_a_fixture_without_a_run_needs_no_proof() -> None:
    assert "WATCHDOG=1" in said([(0.0, [IDLE])], {**WATCHDOG})


def test_what_the_fixtures_do_is_a_sentence_sent_when_it_changes() -> None:
    lines = said([(0.0, [TURNS, IDLE]), (1.0, [TURNS, IDLE]), (2.0, [TURNS, TURNS])], {**WATCHDOG})
    assert [line for line in lines if line.startswith("STATUS")] == [
        "STATUS=2 fixtures: 1 turning, 1 without a run",
        "STATUS=2 fixtures: 2 turning",
    ]


def test_without_a_service_manager_nothing_is_sent_and_without_its_watchdog_no_beat() -> None:
    assert said([(0.0, [TURNS])], {}) == []
    for environment in (
        {},
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid() + 1)},
        {"WATCHDOG_USEC": "0"},
    ):
        lines = said([(0.0, [TURNS]), (100.0, [TURNS])], {"NOTIFY_SOCKET": "/run/notify", **environment})
        assert lines == ["READY=1", "STATUS=1 fixtures: 1 turning"]


def test_its_variables_are_not_handed_on_to_children() -> None:
    environment = {**WATCHDOG, "WATCHDOG_PID": str(os.getpid()), "HOME": "/srv"}
    said([], environment)
    assert environment == {"HOME": "/srv"}


class Stub:
    """A service manager that only listens."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self._heard: list[str] = []

    @property
    def heard(self) -> list[str]:
        """Every line so far."""
        while True:
            try:
                self._heard.extend(self._socket.recv(4096).decode().splitlines())
            except BlockingIOError:
                return self._heard

    def hears(self, line: str, times: int = 1) -> None:
        """Wait until a line has come so often."""
        wait(lambda: self.heard.count(line) >= times, lambda: f"{line} not {times} times in {self.heard}")

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def stub(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stub]:
    """It waits 0.4 s for a beat, at a path or at an abstract address."""
    address = str(tmp_path / "notify") if request.param == "path" else f"@nightturn-test-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    monkeypatch.setenv("WATCHDOG_USEC", "400000")
    listener = Stub(address)
    yield listener
    listener.close()


# The command line as it is, but for shorter bounds, and for one operation of the disk that hangs once a file is there.
PROGRAM = """
import os, pathlib
from nightturn.bench import proof
from nightturn.cli import main
from nightturn.storage.files import RealFiles

proof.SYNC_AGE_S_MAX = 2.0
never, _open = os.pipe()
whole = RealFiles.{operation}

def hangs(self, *arguments):
    if pathlib.Path("hangs").exists():
        os.read(never, 1)
    return whole(self, *arguments)

RealFiles.{operation} = hangs
main()
"""


@pytest.mark.parametrize(
    ("operation", "stub"),
    [("sync", "path"), ("append", "abstract")],
    ids=["the disk hangs", "the loop hangs"],
    indirect=["stub"],
)
def test_a_daemon_that_no_longer_records_is_given_up_and_the_next_one_is_ready(
    tmp_path: Path, processes: Processes, stub: Stub, operation: str
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    mount(tmp_path, "pan-a1")
    serve = processes.start(
        "serve", str(bench), program=[sys.executable, "-c", PROGRAM.format(operation=operation)]
    )
    stub.hears("READY=1")
    stub.hears("WATCHDOG=1", 4)

    (tmp_path / "hangs").touch()
    if operation == "sync":
        serve.says("watchdog_not_fed")
        assert "no sync of its tape has ended" in serve.said
    else:
        act_for(1.0, "until the loop meets the operation that hangs")
    before = stub.heard.count("WATCHDOG=1")
    act_for(1.0, "twice the time after which a service manager gives a daemon up")
    assert stub.heard.count("WATCHDOG=1") == before
    serve.kill()  # as the service manager does then

    (tmp_path / "hangs").unlink()
    again = processes.start("serve", str(bench))
    stub.hears("READY=1", 2)
    stub.hears("WATCHDOG=1", before + 2)
    assert again.interrupt(signal.SIGTERM) == 0
    stub.hears("STOPPING=1")
