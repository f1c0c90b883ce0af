"""A host that stands still for a while: what waits unread meanwhile is read late, and nothing of it is lost.

The motion lease is not a safety function; these tests say when it runs out, not that it protects anybody.
"""

import asyncio
from pathlib import Path

import numpy as np
import pytest
from tests.simulation.permission_scene import killed
from tests.simulation.scene import Scene, checked, open_scene, run, settings_of
from typing_extensions import override

from nightturn.bench.runs import Pace
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.virtual_port import VirtualPort
from nightturn.model.facts import DAEMON_ENDS
from nightturn.transport.descriptor import MORE_BYTES, READ_BYTES, TURN_S, TURN_S_MAX
from nightturn.transport.pty_line import WAITING_BYTES_MAX

BLOCKS_OF_10_MS = settings_of(samples_per_block=10)
READ_S = 0.005  # a real line is read as soon as it has something


HALL = settings_of(rate_hz=10_000, samples_per_block=100)
FIXTURES = 64
READ_S_PER_BYTE = 0.15e-6
"""What a read of one line costs the loop: CPU time of a station that is given 4,096 bytes is 0.13 us a byte, 1,140 bytes 0.16."""
PTY_BYTES = 18_000  # what the system keeps for a pty
POLL_S = 0.02
SLOW_TURNS_S = (0.245, 0.192, 0.160)  # seen in a hall of 64 whose cycles end together


STALLS = 8


class HallPort(VirtualPort):
    """The line of one fixture among 64, on a loop that is busy with the others' before it and behind it in each turn.

    All have as much to read. What is busy is the loop: no timer fires meanwhile, as `asyncio` does it. What is written leaves at once.
    """

    def __init__(self, port: VirtualPort, place: int, rng: np.random.Generator) -> None:
        super().__init__(port.name, port.device, port._clock, port._rng, POLL_S)
        self.place = place
        self.lost_bytes = 0
        self.stall_s = 0.0  # comes once, somewhere in the next turn
        self.slow_turns: list[float] = []  # what else the loop does in the turns to come
        self._ended_s = 0.0
        self._rng_of_stalls = rng
        self._line = bytearray()
        self._loop.call_later(POLL_S, self._turn)

    @override
    def write(self, content: bytes) -> None:
        if self._on_bytes is not None:
            self.device.receive(content, self._clock.monotonic_ns())

    @override
    def _deliver(self) -> None:
        content = self.device.take_output()
        fits = content[: PTY_BYTES + WAITING_BYTES_MAX - len(self._line)]
        self._line += fits
        self.lost_bytes += len(content) - len(fits)

    def _busy(self, seconds: float) -> None:
        assert isinstance(self._loop, VirtualLoop)
        self._loop._virtual.now_s += seconds
        self.device.advance(self._clock.monotonic_ns())
        self._deliver()

    def _turn(self) -> None:
        stall_at = int(self._rng_of_stalls.integers(3))
        now_s = self._loop.time()
        until_s = now_s + min(max(TURN_S, now_s - self._ended_s), TURN_S_MAX)
        more = True
        while more:
            count, piece_s = 0, READ_S_PER_BYTE * min(len(self._line), READ_BYTES)
            for step, seconds in enumerate(
                (self.place * piece_s, piece_s, (FIXTURES - self.place - 1) * piece_s)
            ):
                if self.stall_s and step == stall_at:
                    self._busy(self.stall_s)
                    self.stall_s = 0.0
                if step == 1:
                    count = self._read()
                self._busy(seconds)
            more = count >= MORE_BYTES and self._loop.time() < until_s
        self._ended_s = self._loop.time()
        self._busy(self.slow_turns.pop(0) if self.slow_turns else 0.0)
        self._loop.call_later(0.001, self._turn)

    def _read(self) -> int:
        content, self._line = bytes(self._line[:READ_BYTES]), self._line[READ_BYTES:]
        if content and self._on_bytes is not None:
            self._on_bytes(self._clock.monotonic_ns(), content)
        return len(content)


def hall_scene(root: Path, place: int, rng: np.random.Generator) -> Scene:
    return open_scene(
        root,
        settings=HALL,
        pace=Pace(tile_samples=1000),
        wrap=lambda port: HallPort(port, place, rng),
    )


async def still_turns(scene: Scene) -> None:
    """Nothing was lost and no lease lapsed."""
    await asyncio.sleep(1.0)
    assert isinstance(scene.port, HallPort)
    assert scene.motion == "turning"
    assert scene.gaps == []
    assert scene.port.lost_bytes == 0  # else all 64 would ask again for what was lost
    assert {"motion_stopped", "lease_lapsed", "line_lost"}.isdisjoint(scene.kinds), scene.kinds
    await scene.station.close()


@pytest.mark.parametrize("place", [0, 31, 63])
def test_a_hall_of_64_at_10_ks_stands_still_for_400_ms_anywhere_in_a_turn_and_loses_no_sample_and_no_lease(
    tmp_path: Path, place: int
) -> None:
    rng = np.random.default_rng(place)

    async def act() -> None:
        scene = hall_scene(tmp_path, place, rng)
        assert isinstance(scene.port, HallPort)
        await scene.until(lambda: scene.moving)
        for _ in range(STALLS):
            await asyncio.sleep(rng.uniform(0.8, 1.2))
            scene.port.stall_s = 0.4
        await still_turns(scene)

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing == 0


@pytest.mark.parametrize("place", [0, 63])
def test_slow_turns_one_after_another_cost_no_lease_while_the_samples_come(
    tmp_path: Path, place: int
) -> None:
    rng = np.random.default_rng(place)

    async def act() -> None:
        scene = hall_scene(tmp_path, place, rng)
        port = scene.port
        assert isinstance(port, HallPort)
        await scene.until(lambda: scene.moving)
        for _ in range(3):
            await asyncio.sleep(rng.uniform(1.0, 1.5))
            port.slow_turns = [*SLOW_TURNS_S] * 2
            await scene.until(lambda: not port.slow_turns)
        await still_turns(scene)

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing == 0


def stand_still(scene: Scene, seconds: float) -> None:
    """Nothing of the host runs for so long; what it had written before is with the driver, and leaves."""
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    assert isinstance(scene.port, VirtualPort)
    if scene.port._underway:
        scene.device.receive(bytes(scene.port._underway), scene.world.clock.monotonic_ns())
        scene.port._underway.clear()
    loop._virtual.now_s += seconds


@pytest.mark.parametrize("seed", [1, 2])
def test_a_host_that_stands_still_for_up_to_420_ms_loses_no_sample_and_no_lease(
    tmp_path: Path, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    stalls: list[float] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S)
        await scene.until(lambda: scene.moving)
        for _ in range(60):
            await asyncio.sleep(rng.uniform(0.6, 2.5))
            stalls.append(rng.uniform(0.1, 0.42))
            stand_still(scene, stalls[-1])
        await asyncio.sleep(1.0)
        assert scene.motion == "turning"
        assert scene.gaps == []
        assert {"motion_stopped", "lease_lapsed", "line_lost"}.isdisjoint(scene.kinds), scene.kinds
        assert scene.count("motion_started") == 1
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert (report.missing, len(stalls)) == (0, 60)
    assert max(stalls) > 0.4


def test_a_host_that_stands_still_for_700_ms_loses_its_lease_says_so_and_keeps_every_sample(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S)
        await scene.until(lambda: scene.moving)
        await asyncio.sleep(3.0)
        await scene.until(lambda: scene.moving)
        stand_still(scene, 0.7)
        await scene.until(lambda: not scene.moving)
        await scene.until(lambda: scene.motion == "locked")
        assert "the motion lease lapsed on the device" in " ".join(event.detail for event in scene.events)
        assert scene.gaps == []
        await asyncio.sleep(20.0)
        assert not scene.moving
        await scene.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing == 0


async def restarted(scene: Scene, root: Path, away_s: float) -> Scene:
    """Kill the host, and start another after so long on the same device."""
    killed(scene)
    await asyncio.sleep(away_s)
    following = open_scene(root, settings=BLOCKS_OF_10_MS, poll_s=READ_S, device=scene.device)
    await following.until(lambda: following.station.core.state.watch.first_index >= 0)
    await asyncio.sleep(8.0)
    return following


@pytest.mark.parametrize("moves", [True, False])
def test_a_host_that_was_killed_fetches_what_the_ring_still_holds(tmp_path: Path, moves: bool) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, go=moves)
        await (scene.until(lambda: scene.moving) if moves else asyncio.sleep(5.0))
        await asyncio.sleep(1.7)
        following = await restarted(scene, tmp_path, 3.0)
        assert following.gaps == []
        assert not following.moving
        assert "session resumed" in next(e.detail for e in following.events if e.kind == "session_up")
        await following.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert (report.missing, report.missing_by_time) == (0, 0)


def test_after_a_longer_absence_of_the_host_exactly_what_the_ring_let_go_is_missing(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, go=False)
        await asyncio.sleep(5.0)
        following = await restarted(scene, tmp_path, 30.0)
        (gap,) = following.gaps
        assert (gap.cause, gap.exact, gap.index_to - gap.index_from) == ("restart", True, gap.n_missing)
        ring_s = 65_536 / (110 + 2) * 0.01  # blocks of 10 samples, each at least 100 bytes on the wire
        assert 30_000 - 1000 * ring_s * 1.2 < gap.n_missing < 30_000 - 1000 * ring_s * 0.8
        await following.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing == report.produced - report.stored > 0


def test_a_host_that_said_goodbye_begins_a_new_session_and_counts_what_is_missing_by_the_device(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, go=False)
        await asyncio.sleep(5.0)
        scene.station.command(DAEMON_ENDS)
        await asyncio.sleep(0.2)
        following = await restarted(scene, tmp_path, 2.0)
        (gap,) = following.gaps
        assert (gap.cause, gap.exact) == ("restart", True)
        assert 1900 < gap.n_missing < 3500
        assert (gap.ts_to - gap.ts_from) / 1e6 == pytest.approx(gap.n_missing, abs=5)
        assert "session new" in next(e.detail for e in following.events if e.kind == "session_up")
        await following.station.close()

    run(act)
    checked(tmp_path)


def test_after_a_new_boot_during_the_absence_of_the_host_nothing_is_taken_up(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, go=False)
        await asyncio.sleep(5.0)
        scene.device.reset()
        following = await restarted(scene, tmp_path, 2.0)
        (gap,) = following.gaps
        assert (gap.cause, gap.exact) == ("restart", False)
        assert "session new" in next(e.detail for e in following.events if e.kind == "session_up")
        await following.station.close()

    run(act)
    checked(tmp_path)


def test_where_the_relay_may_have_been_on_when_the_host_was_killed_nothing_is_fetched(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S)
        await scene.until(lambda: scene.station.core.state.device.relay.may_be_on)
        following = await restarted(scene, tmp_path, 2.0)
        assert following.station.core.state.run.opened is not None
        assert following.station.core.state.run.opened.stream is None
        assert [gap.cause for gap in following.gaps] == ["restart"]
        await following.station.close()

    run(act)
    checked(tmp_path)


def test_a_host_that_is_killed_again_before_its_clock_is_aligned_leaves_a_tape_that_the_next_one_reads(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, go=False)
        await asyncio.sleep(5.0)
        killed(scene)
        await asyncio.sleep(20.0)  # longer than the ring: a row has to be written
        again = open_scene(tmp_path, settings=BLOCKS_OF_10_MS, poll_s=READ_S, device=scene.device)
        await again.until(lambda: again.station.core.state.watch.first_index >= 0)
        following = await restarted(again, tmp_path, 2.0)
        assert following.gaps == []
        await following.station.close()

    run(act)
    (report,) = checked(tmp_path)
    assert report.missing > 0
