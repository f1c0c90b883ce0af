"""Figures replay: the same sums and figures as live, without the plan; other tile sizes give them too."""

import pytest
from replay_logs.make import Recorded
from tests.replay.comparing import sums_and_figures

from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run


def test_the_fast_form_gives_the_live_sums_and_figures(measured: Recorded) -> None:
    tape = tape_of_run(measured.root, measured.fixture, measured.run)
    live, fast = replay(tape), replay_figures(tape)
    assert sums_and_figures(fast.cycles) == sums_and_figures(live.rows.cycles)
    assert fast.samples == live.samples


def test_over_restarts_of_the_host_too(segments: Recorded) -> None:
    tape = tape_of_run(segments.root, segments.fixture, segments.run)
    live, fast = replay(tape), replay_figures(tape)
    assert sums_and_figures(fast.cycles) == sums_and_figures(live.rows.cycles)
    assert fast.samples == live.samples


@pytest.mark.parametrize("tile_samples", [50, 997, 4096, 100_000])
def test_the_tile_size_decides_nothing(measured: Recorded, tile_samples: int) -> None:
    tape = tape_of_run(measured.root, measured.fixture, measured.run)
    live, other = replay(tape), replay(tape, tile_samples)
    assert sums_and_figures(other.rows.cycles) == sums_and_figures(live.rows.cycles)


def test_parts_and_another_tile_size_at_once(measured: Recorded) -> None:
    tape = tape_of_run(measured.root, measured.fixture, measured.run)
    live, other = replay(tape), replay(tape, 1500, splits=(700, 2345, 2346, 5000))
    assert sums_and_figures(other.rows.cycles) == sums_and_figures(live.rows.cycles)
