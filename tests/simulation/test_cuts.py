"""Cuts, epochs and clocks: a chunk holds one epoch, ends with nothing waiting, and its time never steps back."""

import asyncio
import dataclasses
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from tests.simulation.lossy_port import Faults, LossyPort
from tests.simulation.scene import Scene, checked, open_scene, run, settings_of
from tests.simulation.tapes import segments_of
from typing_extensions import override

from nightturn.bench.virtual_port import VirtualPort
from nightturn.model.rows import GapRow
from nightturn.storage.runs import open_run
from nightturn.world import Clock
from nightturn_protocol import messages as wire

RESUME = settings_of(after_restart="resume")


class OneLost(LossyPort):
    """Loses the first read with a block after it is told to, so that the blocks behind it have to wait."""

    lose = False

    @override
    def _damaged(self, content: bytearray) -> bytes:
        if self.lose and len(content) > 250:  # a block is among it
            self.lose = False
            return b""
        return bytes(content)


def test_a_cut_offered_while_blocks_wait_is_taken_when_they_no_longer_do(tmp_path: Path) -> None:
    async def act() -> None:
        ports: list[OneLost] = []

        def wrap(port: VirtualPort) -> OneLost:
            ports.append(OneLost(port, Faults(), np.random.default_rng(1)))
            return ports[0]

        scene = open_scene(tmp_path, wrap=wrap)
        await asyncio.sleep(5.0)
        link = scene.station.core.state.device.link
        assert link is not None
        first = scene.station._journal.path
        ports[0].lose = True
        for _ in range(500):
            await asyncio.sleep(0.001)
            if link.buffered:
                break
        assert link.buffered
        scene.station.core.state.chunk.wanted = True
        scene.station._step([scene.station._cut_fact()])
        assert scene.station._journal.path == first
        assert scene.station.core.state.chunk.wanted
        await asyncio.sleep(0.3)
        assert scene.station._journal.path != first
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].missing == 0


def test_resets_in_a_row_give_epochs_in_a_row_and_no_chunk_spans_two(tmp_path: Path) -> None:
    kept: list[Scene] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        for seconds in (9.0, 4.0, 0.4, 12.0):
            await asyncio.sleep(seconds)
            scene.device.reset(wire.ResetCause.BROWNOUT)
        await asyncio.sleep(10.0)
        await scene.station.close()
        kept.append(scene)

    run(act)
    checked(tmp_path)
    frame = open_run(tmp_path).samples(columns=["epoch", "index", "tick"])
    assert frame.index.is_monotonic_increasing
    assert frame["epoch"].is_monotonic_increasing
    epochs = sorted(frame["epoch"].unique())
    between = [gap for gap in kept[0].gaps if not gap.exact]
    assert [gap.epoch for gap in between] == epochs[1:]
    for gap in between:
        before, after = frame[frame["epoch"] < gap.epoch], frame[frame["epoch"] == gap.epoch]
        ts = after.index.astype("int64")
        assert before.index.astype("int64")[-1] < gap.ts_from <= gap.ts_to
        assert abs(int(ts[0]) - gap.ts_to) < 1_000_000
        assert gap.index_to == after["index"].iloc[0]
    assert kept[0].count("device_restarted") >= len(epochs) - 1


def test_gaps_before_the_clock_is_locked_get_times_of_the_line(tmp_path: Path) -> None:
    async def act() -> None:
        ports: list[OneLost] = []

        def wrap(port: VirtualPort) -> OneLost:
            ports.append(OneLost(port, Faults(), np.random.default_rng(1)))
            return ports[0]

        scene = open_scene(tmp_path, wrap=wrap)
        scene.device._firmware.ring.capacity = 200  # nothing can be had again
        await scene.until(lambda: scene.station.core.state.counts.samples > 0, 5)
        ports[0].lose = True
        await asyncio.sleep(10.0)
        gaps: list[GapRow] = [gap for gap in scene.gaps if gap.exact]
        assert gaps
        for gap in gaps:
            span_ns = gap.ts_to - gap.ts_from
            assert span_ns == pytest.approx(gap.n_missing * 1_000_000, rel=1e-3)
        await scene.station.close()
        frame = open_run(tmp_path).samples(columns=["index"])
        first = frame[frame["index"] >= gaps[0].index_to].index.astype("int64")[0]
        assert abs(first - gaps[0].ts_to) < 1000

    run(act)
    checked(tmp_path)


def test_every_sealed_segment_ends_with_its_cut_and_the_next_goes_on(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings_of(chunk_s=10.0))
        await asyncio.sleep(45.0)
        await scene.station.close()

    run(act)
    segments = segments_of(tmp_path)
    assert len(segments) == 6
    for one, following in pairwise(segments):
        assert one.ends_with_cut
        assert following.first_record_no == one.last_record_no + 1
    checked(tmp_path)


class SteppingClock:
    """A wall clock that can be set."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.step_ns = 0

    def monotonic_ns(self) -> int:
        return self._clock.monotonic_ns()

    def utc_ns(self) -> int:
        return self._clock.utc_ns() + self.step_ns


def test_a_step_of_the_wall_clock_is_an_event_and_moves_no_sample_and_no_shaft(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path)
        await scene.until(lambda: scene.moving)
        clock = SteppingClock(scene.world.clock)
        scene.station._world = dataclasses.replace(scene.world, clock=clock)
        clock.step_ns = -3600 * 10**9
        await asyncio.sleep(8.0)
        clock.step_ns = 7 * 10**9
        await asyncio.sleep(8.0)
        steps = [event.value for event in scene.events if event.kind == "wall_clock_stepped"]
        assert steps == pytest.approx([-3600.0, 3607.0])
        assert scene.motion == "turning"
        await scene.station.close()

    run(act)
    assert open_run(tmp_path).samples(columns=["index"]).index.is_monotonic_increasing


def test_a_device_that_refuses_a_command_is_left_alone_until_a_person_has_looked(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)

        def stubborn(message: wire.Drive) -> wire.Reason:
            del message
            return wire.Reason.NOT_NOW

        scene.device._control._commands._why_not = stubborn  # type: ignore[method-assign]  # a device that will not
        for asked in range(1, 4):
            await asyncio.sleep(60.0)
            refused = [
                e for e in scene.events if e.kind == "motion_stopped" and "refused command" in e.detail
            ]
            assert len(refused) == asked
            assert scene.motion == "locked"
            scene.go()
        assert scene.count("motion_resumed") == 0
        await scene.station.close()

    run(act)
