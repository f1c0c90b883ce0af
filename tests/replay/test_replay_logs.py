"""The committed tapes: identical, in parts and with other tiles too, and showing what they are there for."""

from pathlib import Path

import pytest
from replay_logs.make import BYTES_MAX, FOLDER, SCENES

from nightturn.model.figures import OK
from nightturn.replay.expected import Expected, expected_path, read_expected
from nightturn.replay.tapes import tape_of
from nightturn.replay.verdict import Options, replay_log

SCENE_OF_NAME = {scene.name: scene for scene in SCENES}
TAPES = [FOLDER / (scene.name if scene.epochs else f"{scene.name}.ntj") for scene in SCENES]
each_tape = pytest.mark.parametrize("tape", TAPES, ids=lambda tape: tape.name)


def expectation(tape: Path) -> Expected:
    expected = read_expected(tape)
    assert expected is not None
    return expected


def named(name: str) -> Expected:
    return expectation(next(tape for tape in TAPES if tape.name.removesuffix(".ntj") == name))


@each_tape
def test_every_tape_replays_identical(tape: Path) -> None:
    outcome = replay_log(tape, "", "latest", Options())
    assert outcome.identical, outcome.lines()
    assert outcome.compared_with.startswith("every effect, sums and figures: equal ")


@each_tape
def test_and_when_it_is_fed_in_parts(tape: Path) -> None:
    records = expectation(tape).records
    splits = [1, 40, records // 3, records // 2, records // 2 + 1, records - 1]
    outcome = replay_log(tape, "", "latest", Options(splits=splits))
    assert outcome.identical, outcome.lines()


@each_tape
@pytest.mark.parametrize("tile_samples", [333, 20_000])
def test_and_with_another_tile_size_its_sums_and_figures(tape: Path, tile_samples: int) -> None:
    outcome = replay_log(tape, "", "latest", Options(tile_samples=tile_samples))
    assert outcome.identical, outcome.lines()


@each_tape
def test_and_in_the_fast_form(tape: Path) -> None:
    outcome = replay_log(tape, "", "latest", Options(figures=True))
    assert outcome.identical, outcome.lines()
    assert outcome.samples == expectation(tape).samples


@each_tape
def test_a_tape_is_small_has_a_whole_cycle_and_says_how_it_was_made(tape: Path) -> None:
    expected = expectation(tape)
    assert sum(path.stat().st_size for path in tape_of(tape, "", "").files) < BYTES_MAX
    assert any(cycle.status == OK for cycle in expected.rows.cycles)
    assert expected.made_by == f"python replay_logs/make.py {tape.name.removesuffix('.ntj')}"


def test_nothing_else_lies_in_the_folder() -> None:
    lying = {
        path
        for path in FOLDER.iterdir()
        if path.name not in {"README.md", "make.py", "compat", "__pycache__"}
    }
    assert lying == {*TAPES, *map(expected_path, TAPES)}


def test_the_healthy_unit_is_accepted_both_ways_round() -> None:
    cycles = named("healthy").rows.cycles
    assert [(cycle.direction, cycle.verdict) for cycle in cycles] == [(1, "accept"), (-1, "accept")]


def test_the_outage_leaves_a_gap_row_and_the_cable_a_figure_that_is_not_judged() -> None:
    rows = named("outage_and_cable").rows
    assert [(gap.cause, gap.exact) for gap in rows.gaps] == [("link", True)]
    assert "Torque signal at the end of its range" in " ".join(rows.cycles[0].figure("ripple_pp_nm").reasons)
    assert any("samples were lost" in reason for cycle in rows.cycles for reason in cycle.reasons)


def test_the_spall_is_worse_than_the_healthy_unit() -> None:
    def friction(name: str) -> float:
        return named(name).rows.cycles[0].figure("friction_nm").value or 0.0

    assert friction("spall") > 1.05 * friction("healthy")


def test_guard_and_reset_leave_an_intervention_and_two_epochs() -> None:
    rows = named("guard_and_reset").rows
    assert {"intervention", "motion_locked", "motion_allowed", "device_restarted"} <= {
        event.kind for event in rows.events
    }
    assert [event.severity for event in rows.events if event.kind == "device_restarted"] == ["alarm"]
    assert {cycle.epoch for cycle in rows.cycles} == {0, 1}
    assert any(cycle.reasons[:1] == ("intervention: guard or stop chain opened",) for cycle in rows.cycles)
    assert [(gap.cause, gap.exact) for gap in rows.gaps] == [("restart", False)]
