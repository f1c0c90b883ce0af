"""Each kind of file is read back by a reader that is not ours, with its units, its gaps and nothing silently joined."""

import csv
import dataclasses
import json
import re
import wave
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from tests.cli.terminal import sentences, too_wide, typed
from tests.export.test_pieces import MISSING, SAMPLES
from tests.storage.scenario import RUN, STARTED_NS

from nightturn.errors import StorageError
from nightturn.export import sound
from nightturn.export.pieces import UNEXPLAINED
from nightturn.export.stretch import Stretch, stretch_of
from nightturn.export.written import base_name, export
from nightturn.model.tiles import Int64s
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs

PART = ("--from", "2026-11-25T21:30:00.05Z", "--until", "2026-11-25T21:30:00.15Z")
NAME = f"unit-{RUN}"


@pytest.fixture
def whole(root: Path) -> Stretch:
    return stretch_of(root, list_runs(root)[0], "", "", "recorded")


@pytest.fixture
def frame(whole: Stretch) -> pd.DataFrame:
    return Run(whole.run.stored, whole.run.fixture, whole.run.run).samples(
        columns=["torque_nm", "angle_rad", "index"], calibration="recorded"
    )


def stamps(frame: pd.DataFrame) -> Int64s:
    """Times of the samples, ns since 1970 UTC (n,)."""
    return pd.DatetimeIndex(frame.index).asi8


def test_csv_has_units_in_its_head_a_row_for_each_gap_and_every_sample(
    whole: Stretch, frame: pd.DataFrame, tmp_path: Path
) -> None:
    found = export(whole, "csv", tmp_path)
    assert (found.samples, found.missing, found.gaps) == (SAMPLES, MISSING, 4)
    with (tmp_path / found.files[0]).open(encoding="utf-8", newline="") as content:
        rows = list(csv.DictReader(content))
    assert [*rows[0]][:4] == ["time (UTC)", "t (s)", "torque (N·m)", "angle (rad)"]
    gaps = [row for row in rows if row["gap"]]
    assert (len(rows) - len(gaps), len(gaps)) == (SAMPLES, 4)
    assert all(row["torque (N·m)"] == "" for row in gaps)
    assert gaps[0]["gap"] == "link: 100 samples missing until 2026-11-25 21:30:00 +00:00"
    assert gaps[-1]["gap"].startswith(f"{UNEXPLAINED}: 300 samples missing")
    values = [row for row in rows if not row["gap"]]
    assert np.array_equal([float(row["torque (N·m)"]) for row in values], frame["torque_nm"])
    assert [pd.Timestamp(row["time (UTC)"]).value for row in values] == stamps(frame).tolist()
    times = [row["time (UTC)"] for row in rows]
    assert times == sorted(times)
    assert values[-1]["segment"] == "4"


def test_parquet_has_units_in_its_schema_and_a_segment_that_changes_behind_each_gap(
    whole: Stretch, frame: pd.DataFrame, tmp_path: Path
) -> None:
    found = export(whole, "parquet", tmp_path)
    table = pq.read_table(tmp_path / found.files[0])
    assert np.array_equal(table["torque_nm"].to_numpy(), frame["torque_nm"])
    assert np.array_equal(table["ts"].to_numpy().astype(np.int64), stamps(frame))
    units = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in table.schema}
    assert (units["torque_nm"], units["angle_rad"], units["ts"]) == ("N·m", "rad", "UTC")
    jumps = np.diff(table["index"].to_numpy()) != 1
    assert np.array_equal(np.diff(table["segment"].to_numpy()) != 0, jumps)


@pytest.fixture(scope="module")
def mdf(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """An MDF4 file, opened by the library."""
    folder = tmp_path_factory.mktemp("mdf")
    found = export(stretch_of(root, list_runs(root)[0], "", "", "recorded"), "mdf4", folder)
    assert not list(folder.glob(".*"))
    from asammdf import MDF

    with MDF(folder / found.files[0]) as opened:
        yield opened


def test_mdf4_is_read_back_by_the_library_sample_for_sample(mdf: Any, frame: pd.DataFrame) -> None:
    torque, index, segment = (mdf.get(name) for name in ("torque_nm", "index", "segment"))
    assert np.array_equal(torque.samples, frame["torque_nm"])
    assert np.array_equal(index.samples, frame["index"])
    assert (torque.unit, mdf.get("angle_rad").unit) == ("N·m", "rad")
    since_first_s = (stamps(frame) - stamps(frame)[0]) / 1e9
    assert np.array_equal(torque.timestamps, since_first_s)
    assert np.array_equal(np.diff(segment.samples) != 0, np.diff(index.samples) != 1)
    start = datetime.fromtimestamp(STARTED_NS // 1_000_000_000, UTC)
    assert mdf.start_time.astimezone(UTC).replace(microsecond=0) == start


def test_mdf4_lists_its_gaps_in_a_group_of_their_own(mdf: Any) -> None:
    missing = mdf.get("missing")
    assert missing.samples.tolist() == [100, 100, 100, 300]
    assert mdf.get("gap").samples[0].startswith(b"link: 100 samples missing until")
    assert np.all(mdf.get("gap_end").samples > missing.timestamps)


def test_a_sound_comes_back_to_torque_and_is_silent_where_samples_are_missing(
    whole: Stretch, frame: pd.DataFrame, tmp_path: Path
) -> None:
    found = export(whole, "wav", tmp_path)
    path = tmp_path / found.files[0]
    with wave.open(str(path)) as opened:
        assert (opened.getframerate(), opened.getnchannels(), opened.getsampwidth()) == (10_000, 1, 2)
        values = np.frombuffer(opened.readframes(opened.getnframes()), "<i2")
    said = json.loads(sound.sidecar(path).read_text("utf-8"))
    assert len(values) == said["frames"] == SAMPLES + MISSING
    silent = np.zeros(len(values), bool)
    for each in said["silences"]:
        silent[each["at_frame"] : each["at_frame"] + each["frames"]] = True
    assert (int(silent.sum()), bool(values[silent].any())) == (MISSING, False)
    torque = said["offset_nm"] + said["scale_nm"] * values[~silent]
    assert np.max(np.abs(torque - frame["torque_nm"])) <= said["scale_nm"] * 0.500001
    assert np.abs(values).max() == sound.FULL


def test_a_long_gap_is_cut_in_a_sound_and_that_is_said(
    whole: Stretch, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sound, "SILENCE_S_MAX", 0.02)
    path = tmp_path / export(whole, "wav", tmp_path).files[0]
    silences = json.loads(sound.sidecar(path).read_text("utf-8"))["silences"]
    assert [(each["frames"], each["cut"]) for each in silences] == [(100, False)] * 3 + [(200, True)]
    monkeypatch.setattr(sound, "BYTES_MAX", 1000)
    with pytest.raises(StorageError, match="longer than a WAV file may be"):
        export(whole, "wav", tmp_path / "long")
    assert list((tmp_path / "long").iterdir()) == []


@pytest.mark.parametrize("kind", ["csv", "parquet", "wav"])
def test_the_guide_names_unit_time_zone_columns_gaps_and_calibration(
    whole: Stretch, tmp_path: Path, kind: str
) -> None:
    export(whole, kind, tmp_path)
    (path,) = tmp_path.glob("*.guide.md")
    text = path.read_text("utf-8")
    assert "from 2026-11-25 21:30:00 +00:00 to 2026-11-25 21:30:00 +00:00 by the clocks of UTC" in text
    assert f"samples: {SAMPLES}; {MISSING} missing in 4 gaps" in text
    assert "link: 100 samples missing" in text
    assert "positive is ccw seen from the actuator flange" in text
    assert ("torque (N·m)" in text) == (kind == "csv")
    if kind != "wav":
        assert "| N·m |" in text
    (gaps,) = tmp_path.glob("*.gaps.csv")
    with gaps.open(encoding="utf-8", newline="") as content:
        assert [row["missing samples"] for row in csv.DictReader(content)] == ["100", "100", "100", "300"]


def test_nothing_is_written_over_a_file_that_is_there_unless_it_is_said(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["export", str(root), *PART, "--calibration", "recorded", "--out", str(tmp_path)]
    code, out, _ = typed(asked, capsys)
    assert (code, too_wide(out)) == (0, [])
    assert "1000 samples" not in out
    before = {each.name: each.read_bytes() for each in tmp_path.iterdir()}
    (first,) = (name for name in before if name.endswith("Z.csv"))
    (tmp_path / first).write_text("mine")
    code, _, err = typed(asked, capsys)
    assert (code, "is there already; allowed: another folder, or --overwrite" in err) == (2, True)
    assert (tmp_path / first).read_text() == "mine"
    assert typed([*asked, "--overwrite"], capsys).code == 0
    assert {each.name: each.read_bytes() for each in tmp_path.iterdir()} == before


def test_kinds_of_one_stretch_share_a_folder_each_with_its_own_guide(whole: Stretch, tmp_path: Path) -> None:
    files = [set(export(whole, kind, tmp_path).files) for kind in ("csv", "parquet", "wav")]
    assert not files[0] & files[1]
    assert not (files[0] | files[1]) & files[2]
    assert {each.name for each in tmp_path.iterdir()} == set.union(*files)
    (of_csv,) = tmp_path.glob("*.csv.guide.md")
    (of_sound,) = tmp_path.glob("*.wav.guide.md")
    assert ("torque (N·m)" in of_csv.read_text("utf-8"), "torque (N·m)" in of_sound.read_text("utf-8")) == (
        True,
        False,
    )


def test_an_empty_stretch_ends_with_4_says_why_and_writes_nothing(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    gap = ["--from", "2026-11-25T21:30:00.052Z", "--until", "2026-11-25T21:30:00.058Z"]
    for kind in ("csv", "parquet", "mdf4", "wav"):
        out = tmp_path / kind
        code, said, err = typed(["export", str(root), *gap, "--as", kind, "--calibration", "recorded", "--out", str(out)], capsys)  # fmt: skip
        assert (code, said, list(out.iterdir())) == (4, "", [])
        assert "has no sample from" in err
        assert "a gap by link; nothing was written" in err


@pytest.mark.parametrize(
    ("more", "code", "said"),
    [
        (["--as", "cvs"], 2, "no kind 'cvs'; did you mean \"csv\"?; allowed: csv, parquet, mdf4, wav, pack"),
        (["--calibration", "now"], 4, "no calibration 'now'"),
        (["--from", "13:12"], 2, "--from: 13:12 lies outside the run"),
        (["--unit", "Q-9"], 4, "no run of unit Q-9"),
        (["--fixture", "pan-z9"], 4, "no runs of pan-z9"),
        (["--as", "pack", *PART], 2, "allowed: no --from and no --until"),
    ],
)
def test_what_cannot_be_exported_is_one_sentence(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], code: int, said: str
) -> None:
    outcome = typed(["export", str(root), *more, "--out", str(tmp_path)], capsys)
    assert (outcome.code, said in outcome.err) == (code, True), outcome.err
    assert list(tmp_path.iterdir()) == []


def test_json_says_what_was_written(root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["export", str(root), "--calibration", "recorded", "--out", str(tmp_path), "--json"]
    told = json.loads(typed(asked, capsys).out)["exported"]
    assert (told["samples"], told["missing"], told["gaps"]) == (SAMPLES, MISSING, 4)
    assert {each.name for each in tmp_path.iterdir()} == set(told["files"])
    assert sentences(f"{told['files'][0]}\n") == [f"{NAME}.csv"]


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("../../etc/passwd", "_.._etc_passwd"),
        ("Q 0121\n", "Q_0121_"),
        ("محمد", "____"),
        ("", "unit"),
        ("..", "unit"),
        ("Q" * 200, "Q" * 64),
    ],
)
def test_a_hostile_serial_leads_nowhere(whole: Stretch, unit: str, name: str) -> None:
    hostile = dataclasses.replace(whole, summary=dataclasses.replace(whole.summary, unit=unit))
    assert base_name(hostile) == f"{name}-{RUN}"
    assert re.fullmatch(r"[\w.-]+", base_name(hostile), re.ASCII)
