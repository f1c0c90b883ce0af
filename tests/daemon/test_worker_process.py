"""A worker as the first process sees it: one that hangs, never begins or does not close, by a program of ours in its place."""

import asyncio
import sys
from collections.abc import Callable, Coroutine
from pathlib import Path

import pytest
from tests.daemon.processes import write_bench
from tests.waiting import LIMIT_S

from nightturn.daemon import worker_process
from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import GO, STATUS, STOP
from nightturn.daemon.control_socket import UnansweredError
from nightturn.daemon.picture import Picture
from nightturn.daemon.worker_messages import FixtureFailed, Item, Line, Order
from nightturn.daemon.worker_process import WorkerProcess, raised
from nightturn.daemon.workers import spread
from nightturn.errors import ConfigError, DeviceError, NightturnError, StorageError
from nightturn.model.rows import FAILED, STARTING, StandingRow
from nightturn.settings.load import load_rig
from nightturn.settings.rig import Rig

HANGS = """
import signal, socket, sys
from nightturn.daemon.worker_line import Unframer, framed
from nightturn.daemon.worker_messages import Beat, FixtureBeat, FixtureFailed, Items, Line, Order
line = socket.socket(fileno=int(sys.argv[1]))
beat = Beat((FixtureBeat("pan-a1", True, None, None, "pan-a1: 7 records of run x, those of the last 0.4 s"),), 3, False)
unframer = Unframer()
def read():
    return unframer.take(line.recv(65536))
order, *more = read()
assert isinstance(order, Order)
"""
NEVER_BEGINS = HANGS + "signal.pause()\n"
BEGINS_AND_HANGS = HANGS + "line.sendall(framed(beat))\nsignal.pause()\n"
FAILS = (
    HANGS
    + "line.sendall(framed(beat) + framed(FixtureFailed('pan-a1', 'DeviceError', 'pan-a1: the core failed')))\nsignal.pause()\n"
)
STILL_HEARS = FAILS.replace(
    "signal.pause()",
    """
while sum(type(message).__name__ == "Alive" for message in more) < 3:
    more += read()
line.sendall(framed(Items((Line({"event": "still_heard", "level": "info"}),))))
signal.pause()
""",
)
"""Programs that do all of a worker's work badly."""


class Watched:
    """A worker process of one fixture, and what it has told."""

    def __init__(self, rig: Rig, bench: Path) -> None:
        self.rows: list[StandingRow] = []
        self.met_its_end, self.taken = asyncio.Event(), asyncio.Event()
        self.items: list[Item] = []
        self.pictures = {"pan-a1": Picture("pan-a1")}
        (fixtures,) = spread(rig.fixture, 1)
        order = Order(
            bench,
            bench.parent / "nights",
            rig.bench,
            fixtures,
            publishes=True,
            owner=1,
            rig_fixtures=len(rig.fixture),
        )
        self.lock = (bench.parent / "lock").open("w")
        self.process = WorkerProcess(
            order, self.lock.fileno(), self.pictures, self.take, self.gone, lambda: 7
        )

    def take(self, item: Item) -> None:
        self.items.append(item)
        self.taken.set()

    def gone(self, _fixture: str, row: StandingRow) -> None:
        self.rows.append(row)
        self.met_its_end.set()


Act = Callable[[Watched, "asyncio.Task[None]"], Coroutine[None, None, None]]


def played(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str, act: Act) -> None:
    """Run an act beside a worker process that is this program."""
    bench = write_bench(tmp_path, {"pan-a1": "virtual:pan15?seed=7"})
    monkeypatch.setattr(worker_process, "COMMAND", (sys.executable, "-c", program))
    monkeypatch.setattr(worker_process, "AGAIN_S", 0.0)

    async def play() -> None:
        watched = Watched(load_rig(bench), bench)
        running = asyncio.create_task(watched.process.run())
        try:
            await asyncio.wait_for(act(watched, running), LIMIT_S)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            monkeypatch.setattr(worker_process, "CLOSES_S_MAX", 0.1)
            await watched.process.close()
            watched.lock.close()

    asyncio.run(play())


def test_one_that_says_nothing_is_killed_and_its_fixture_is_starting_until_it_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_process, "BEGINS_S_MAX", 0.2)
    monkeypatch.setattr(worker_process, "STARTS_MAX", 2)

    async def act(watched: Watched, running: "asyncio.Task[None]") -> None:
        with pytest.raises(DeviceError, match=r"pan-a1: its worker process has ended: signal 9 \(SIGKILL\)"):
            await running
        assert [row.state for row in watched.rows] == [STARTING, FAILED]
        assert watched.rows[-1].waits_for == "waits for `nightturn serve` again"
        assert "its device stops by its lease" in watched.pictures["pan-a1"].no_run
        stop = await watched.process.ask(new_request(STOP, "pan-a1", "R. Vale"))
        assert (stop.ok, "use the emergency stop" in stop.problem) == (False, True)
        assert watched.process.begun.is_set()

    played(tmp_path, monkeypatch, NEVER_BEGINS, act)


def test_one_that_hangs_answers_nobody_has_no_proof_of_life_and_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_process, "UNHEARD_S", 0.0)
    monkeypatch.setattr(worker_process, "ANSWER_S_MAX", 0.2)

    async def act(watched: Watched, _running: "asyncio.Task[None]") -> None:
        process = watched.process
        await process.begun.wait()
        with pytest.raises(UnansweredError):
            await process.ask(new_request(STATUS, "pan-a1"))
        with pytest.raises(UnansweredError):
            await process.ask(new_request(STOP, "pan-a1", "R. Vale"))
        (signs,) = process.signs
        assert signs.proof is not None
        assert signs.proof.lacks.startswith("pan-a1: its worker process has said nothing for ")
        assert "its worker process says nothing" in watched.pictures["pan-a1"].no_run
        (kept,) = process.unkept
        assert kept.startswith("pan-a1: 7 records of run x")
        monkeypatch.setattr(worker_process, "HEARD_S_MAX", 0.0)
        await watched.met_its_end.wait()
        monkeypatch.setattr(worker_process, "HEARD_S_MAX", 600.0)
        assert watched.rows[0].state == STARTING
        go = await process.ask(new_request(GO, "pan-a1", "R. Vale", unit="Q-0117"))
        assert (go.ok, "nothing was sent and nothing is kept" in go.problem) == (False, True)
        status = await process.ask(new_request(STATUS, "pan-a1"))
        assert status.state.startswith("no run is open: its worker process has ended")

    played(tmp_path, monkeypatch, BEGINS_AND_HANGS, act)


def test_one_that_does_not_close_its_runs_is_killed_and_the_daemon_ends_by_storage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(worker_process, "CLOSES_S_MAX", 0.1)

    async def act(watched: Watched, running: "asyncio.Task[None]") -> None:
        await watched.process.begun.wait()
        running.cancel()
        await watched.process.close()
        assert isinstance(watched.process.trouble, StorageError)
        assert "ended before its runs were closed" in str(watched.process.trouble)

    played(tmp_path, monkeypatch, BEGINS_AND_HANGS, act)


def test_when_all_fixtures_of_one_have_failed_their_error_is_the_daemons(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act(watched: Watched, running: "asyncio.Task[None]") -> None:
        with pytest.raises(DeviceError, match="pan-a1: the core failed"):
            await running
        monkeypatch.setattr(worker_process, "CLOSES_S_MAX", 0.0)
        await watched.process.close()
        stop = await watched.process.ask(new_request(STOP, "pan-a1", "R. Vale"))
        assert (stop.ok, "nothing is kept" in stop.problem) == (False, True)

    played(tmp_path, monkeypatch, FAILS, act)


def test_one_whose_fixtures_have_all_failed_is_not_left_in_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def act(watched: Watched, running: "asyncio.Task[None]") -> None:
        with pytest.raises(DeviceError):
            await running
        await watched.taken.wait()
        assert watched.items == [Line({"event": "still_heard", "level": "info"})]

    played(tmp_path, monkeypatch, STILL_HEARS, act)


@pytest.mark.parametrize(
    ("kind", "error"),
    [("ConfigError", ConfigError), ("StorageError", StorageError), ("KeyError", NightturnError)],
)
def test_an_error_keeps_its_family_and_so_its_exit_code(kind: str, error: type[NightturnError]) -> None:
    found = raised(FixtureFailed("pan-a1", kind, "why"))
    assert (type(found), str(found)) == (error, "why")


def test_fixtures_go_to_the_workers_in_turns_and_keep_their_places(tmp_path: Path) -> None:
    ports = {f"pan-a{number}": f"virtual:pan15?seed={number}" for number in range(5)}
    rig = load_rig(write_bench(tmp_path, ports))
    parts = spread(rig.fixture, 2)
    assert [[settings.id for settings, _ in part] for part in parts] == [
        ["pan-a0", "pan-a2", "pan-a4"],
        ["pan-a1", "pan-a3"],
    ]
    assert {settings.id: place for part in parts for settings, place in part} == {
        f"pan-a{number}": number / 5 for number in range(5)
    }
