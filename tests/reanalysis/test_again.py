"""Figures again from samples and manifest: what the run stored, bit for bit, though its tape is gone; and what cannot be had is said."""

import json
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from replay_logs.make import Recorded

from nightturn.model.rows import CYCLES
from nightturn.reanalysis import again
from nightturn.reanalysis.job import Job, carry_out
from nightturn.reanalysis.outcome import Outcome
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, write_manifest
from nightturn.storage.reader import Run

BY_TEMPERATURE_K = 0.05
"""A mean of rows every ten seconds beside one of every reading."""


def opened(made: Recorded) -> Run:
    return Run(made.root, made.fixture, made.run)


def made_again(made: Recorded, method: str = "standard") -> Outcome:
    return carry_out(Job(str(made.root), made.fixture, made.run, method))


def differing(was: pd.DataFrame, now: pd.DataFrame) -> set[str]:
    """Columns that differ in any bit or are not there in both."""
    columns = [set(map(str, each)) for each in (was, now)]
    both = columns[0] & columns[1]
    other = {name for name in both if str(was[name].tolist()) != str(now[name].tolist())}
    return other | columns[0] ^ columns[1]


def amended(made: Recorded, **changes: object) -> Manifest:
    """The run's manifest with other texts in it, signed as ever."""
    manifest = opened(made).manifest
    assert manifest is not None
    other = msgspec.structs.replace(manifest, **changes)
    write_manifest(RealFiles(made.root), other)
    return other


@pytest.mark.parametrize("which", ["troubled", "halves"])
def test_every_column_is_as_recorded_but_the_temperatures_which_are_means_of_fewer_readings(
    which: str, request: pytest.FixtureRequest
) -> None:
    """Over a guard, a gap, a restart of the device, a restart of the host, and many chunks; reasons and words included."""
    made: Recorded = request.getfixturevalue(which)
    outcome, run = made_again(made), opened(made)
    was, now = run.cycles(), run.cycles(reanalysis="standard")
    assert outcome.ok, outcome
    assert outcome.sums_equal == outcome.cycles == len(was) >= 3
    assert (outcome.not_stored, outcome.left_out, outcome.methods) == (0, (), ())
    assert outcome.figures_equal > 12 * len(was) - 1
    assert outcome.samples == sum(chunk.rows for chunk in run.chunks("raw"))
    warm = {name for name in map(str, was) if name.startswith("temp_")}
    assert differing(was, now) <= warm
    for name in warm:
        apart = (was[name] - now[name]).abs().dropna()
        assert (apart < BY_TEMPERATURE_K).all(), (name, apart)
    assert was.attrs["units"] == now.attrs["units"]


def test_the_run_in_two_halves_counts_its_cycles_on(halves: Recorded) -> None:
    made_again(halves)
    cycles = opened(halves).cycles(["epoch", "cycle_no", "status"], reanalysis="standard")
    assert cycles["cycle_no"].tolist() == [1, 2, 3]
    assert sorted(set(cycles["epoch"])) == [0, 1]


@pytest.mark.parametrize("seconds", [0.31, 30.0])
def test_how_the_samples_are_cut_changes_nothing(
    seconds: float, troubled: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert made_again(troubled).ok
    first = opened(troubled).cycles(reanalysis="standard")
    for path in (troubled.root / "reanalysis").rglob("*.parquet"):
        path.unlink()
    monkeypatch.setattr(again, "TILE_SECONDS", seconds)
    assert not made_again(troubled).already
    assert differing(first, opened(troubled).cycles(reanalysis="standard")) == set()


def test_a_raw_chunk_that_is_gone_shows_as_cycles_whose_sums_differ_or_are_not_found(
    troubled: Recorded,
) -> None:
    chunks = opened(troubled).chunks("raw")
    (troubled.root / chunks[1].path).unlink()
    outcome = made_again(troubled)
    assert not outcome.ok
    assert any("cycle 1" in sentence for sentence in outcome.sums_differ), outcome
    assert not outcome.storage


def test_a_damaged_chunk_gives_no_result_and_is_named(troubled: Recorded) -> None:
    chunk = opened(troubled).chunks("raw")[2]
    path = troubled.root / chunk.path
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 4
    path.write_bytes(content)
    outcome = made_again(troubled)
    assert (outcome.storage, outcome.cycles, outcome.path) == (True, 0, "")
    assert chunk.path in outcome.problem
    assert not (troubled.root / "reanalysis").exists()


def test_cycles_whose_files_are_gone_are_made_again_and_called_not_compared(troubled: Recorded) -> None:
    before = opened(troubled).cycles()
    for chunk in opened(troubled).chunks(CYCLES):
        (troubled.root / chunk.path).unlink()
    outcome = made_again(troubled)
    assert (outcome.ok, outcome.not_stored, outcome.sums_equal) == (True, len(before), 0)
    now = opened(troubled).cycles(reanalysis="standard")
    assert now["sums_sha256"].tolist() == before["sums_sha256"].tolist()
    apart = (now["ts_start"] - before["ts_start"]).abs().max()
    assert apart < pd.Timedelta("1ms")  # by the chunk's line, which may have moved since the cycle ended


def test_settings_that_the_manifest_does_not_keep_leave_their_cycles_out(troubled: Recorded) -> None:
    manifest = opened(troubled).manifest
    assert manifest is not None
    rig = json.loads(manifest.rig)
    amended(troubled, rig=json.dumps({**rig, "mains_hz": 60}))
    outcome = made_again(troubled)
    assert (outcome.cycles, outcome.samples, outcome.ok) == (0, 0, True)
    assert "settings that were changed during the run" in outcome.left_out[0]
    assert outcome.verdict == "undecided"


def test_a_manifest_without_a_sheet_says_what_makes_the_figures_instead(troubled: Recorded) -> None:
    amended(troubled, sheets=())
    outcome = made_again(troubled)
    assert (outcome.ok, outcome.storage) == (False, True)
    assert "`nightturn replay`" in outcome.problem


def test_a_corrected_factor_scales_every_torque_and_leaves_the_sums_and_what_was_recorded(
    troubled: Recorded,
) -> None:
    """Friction and ripple are proportional to the factor: 4.4 for 4.0 N·m/V is 1.1 times."""
    before = opened(troubled).cycles()
    record = {
        "id": "one",
        "transducer": "TR-204",
        "factor_nm_per_v": 4.4,
        "valid_from": "2025-01-01T00:00:00Z",
    }
    place = Path(troubled.root) / "calibrations" / "TR-204.jsonl"
    place.parent.mkdir(exist_ok=True)
    place.write_text(json.dumps(record) + "\n", encoding="utf-8")
    outcome = made_again(troubled, "recalibrated")
    assert (outcome.ok, outcome.sums_equal, outcome.figures_equal) == (True, len(before), 0)
    now = opened(troubled).cycles(reanalysis="recalibrated")
    assert set(now["calibration_id"]) == {"one"}
    ratio = (now["friction_nm"] / before["friction_nm"]).dropna()
    assert len(ratio)
    assert (abs(ratio - 1.1) < 1e-6).all()
    assert differing(before, opened(troubled).cycles()) == set()
