"""Runs as a person reads them: units, times, scales, and errors that say what exists."""

import subprocess
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from crc32c import crc32c
from tests.storage.scenario import COUNTS_PER_REV, FIXTURE, LSB_NM, RUN, STARTED_NS, bench_signal
from tests.storage.store import CHUNK_SAMPLES, Night, full_night, manifest, rig_settings

import nightturn
from nightturn.calibration.records import CalibrationRecord, encode_line, from_settings
from nightturn.errors import CalibrationError, RunNotFoundError, SchemaVersionError, StorageError
from nightturn.model.tiles import Tile
from nightturn.storage import parquet, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest, write_manifest
from nightturn.storage.marking import keep
from nightturn.storage.marks import read_marks
from nightturn.storage.moments import moment_ns
from nightturn.storage.reader import Run, RunWarning
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.scales import current_scale
from nightturn.storage.zones import local_text

OTHER_RUN = "20261126T213000Z-00aa"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("nights")
    full_night(place)
    return place


def test_torque_and_angle_are_counts_times_their_scale(root: Path) -> None:
    frame = open_run(root).samples(calibration="recorded").iloc[-CHUNK_SAMPLES:]
    raw, encoder = bench_signal(CHUNK_SAMPLES, seed=3)

    assert frame["torque_nm"].to_numpy() == pytest.approx((raw - 1234.5) * LSB_NM, rel=1e-12)
    assert frame["angle_rad"].to_numpy() == pytest.approx(encoder * 2 * np.pi / COUNTS_PER_REV, rel=1e-12)
    assert frame.attrs["units"] == {"torque_nm": "N·m", "angle_rad": "rad"}
    assert str(frame.index.dtype) == "datetime64[ns, UTC]"
    assert frame.index.name == "ts"


@pytest.mark.parametrize(
    ("start", "stop"),
    [
        ("2026-11-25T21:30:01Z", "2026-11-25T21:30:04Z"),
        ("2026-11-25 21:30:01", "2026-11-25 21:30:04"),
        (datetime(2026, 11, 25, 21, 30, 1, tzinfo=UTC), pd.Timestamp("2026-11-25T22:30:04+01:00")),
        (STARTED_NS + 1_000_000_000, STARTED_NS + 4_000_000_000),
    ],
)
def test_samples_are_cut_at_start_and_before_stop_across_chunks(
    root: Path, start: str | int | datetime, stop: str | int | pd.Timestamp
) -> None:
    run = open_run(root)
    everything = run.samples(columns=["index"])
    frame = run.samples(start, stop, columns=["index"])
    low, high = pd.Timestamp("2026-11-25T21:30:01Z"), pd.Timestamp("2026-11-25T21:30:04Z")
    expected = everything[(everything.index >= low) & (everything.index < high)]

    assert frame.equals(expected)
    assert len(frame) > CHUNK_SAMPLES - 300


@pytest.mark.parametrize(
    ("start", "stop"),
    [("2030-01-01", None), (None, "2026-11-25 21:29"), ("2026-11-25T21:30:10Z", "2027-01-01")],
)
def test_a_stretch_outside_the_run_is_answered_with_what_there_is(
    root: Path, start: str | None, stop: str | None
) -> None:
    first, last = "2026-11-25 21:30:00 [+]00:00", "2026-11-25 21:30:09 [+]00:00"
    with pytest.raises(StorageError, match=f"{RUN} has samples from {first} to {last}, none of"):
        open_run(root).samples(start, stop)


@pytest.mark.parametrize("stop", ["2026-11-25T21:30:01Z", "2026-11-25T21:30:02Z"])
def test_a_start_that_is_not_before_the_stop_is_refused(root: Path, stop: str) -> None:
    with pytest.raises(StorageError, match="is not before stop '2026-11-25T21:30:0"):
        open_run(root).samples("2026-11-25T21:30:02Z", stop)


def test_a_stretch_inside_a_gap_is_an_empty_frame_with_a_warning_that_names_the_cause(root: Path) -> None:
    gap = open_run(root).gaps().iloc[0]
    with pytest.warns(RunWarning, match=f"{RUN} has no samples in that time: a gap by link"):
        frame = open_run(root).samples(
            gap["ts_from"] + pd.Timedelta("3ms"), gap["ts_from"] + pd.Timedelta("6ms")
        )
    assert list(frame.columns) == ["torque_nm", "angle_rad"]
    assert (len(frame), str(frame.index.dtype)) == (0, "datetime64[ns, UTC]")


def test_a_stretch_between_two_samples_warns_too(root: Path) -> None:
    with pytest.warns(RunWarning, match="the time asked for is shorter than one sample"):
        assert open_run(root).samples(STARTED_NS + 10, STARTED_NS + 20).empty


def in_zone(root: Path, zone: str) -> Run:
    """A run of two seconds whose bench keeps the clocks of that zone."""
    Night(root).add_chunk(20_000)
    write_manifest(RealFiles(root), msgspec.structs.replace(manifest(), timezone=zone))
    return open_run(root)


def test_a_time_without_offset_is_by_the_clocks_of_the_runs_bench(tmp_path: Path) -> None:
    run = in_zone(tmp_path, "Europe/Vienna")
    local = run.samples("2026-11-25 22:30:01", "2026-11-25 22:30:01.5", ["index"])
    utc = run.samples("2026-11-25T21:30:01Z", "2026-11-25T21:30:01.5Z", ["index"])
    assert local.equals(utc)
    assert len(utc) > 4_000
    assert str(utc.index.dtype) == "datetime64[ns, UTC]"
    with pytest.raises(StorageError, match=r"from 2026-11-25 22:30:00 \+01:00 to 2026-11-25 22:30:0"):
        run.samples("2026-11-25 21:30:00", "2026-11-25 21:30:01")


def test_an_hour_that_occurs_twice_or_never_is_refused_without_its_offset(tmp_path: Path) -> None:
    run = in_zone(tmp_path, "Europe/Vienna")
    both = r"occurs twice in Europe/Vienna.*2026-10-25T02:30:00\+02:00 or 2026-10-25T02:30:00\+01:00"
    with pytest.raises(StorageError, match=both):
        run.samples("2026-10-25 02:30")
    with pytest.raises(StorageError, match="2026-03-29 02:30:00 does not occur in Europe/Vienna"):
        run.samples(stop="2026-03-29 02:30")
    assert len(run.samples("2026-10-25T02:30+01:00", columns=["index"])) == 20_000


def test_a_zone_that_this_machine_does_not_know_asks_for_the_offset(tmp_path: Path) -> None:
    run = in_zone(tmp_path, "Europe/Atlantis")
    with pytest.raises(StorageError, match="does not know the run's time zone 'Europe/Atlantis'"):
        run.samples("2026-11-25 21:30:01")
    assert len(run.samples("2026-11-25T21:30:00Z", columns=["index"])) == 20_000


def test_moments_to_and_from_the_clocks_of_a_zone() -> None:
    assert moment_ns(np.int64(5), 0, "Europe/Vienna") == 5
    assert moment_ns(None, 7) == 7
    assert local_text(STARTED_NS, "Asia/Kolkata") == "2026-11-26 03:00:00 +05:30"
    assert local_text(STARTED_NS, "Europe/Atlantis") == "2026-11-25 21:30:00 +00:00"
    with pytest.raises(StorageError, match="'' is not a time"):
        moment_ns("", 0)


def test_an_unknown_column_or_time_says_what_is_allowed(root: Path) -> None:
    with pytest.raises(
        StorageError, match=r"'torqe_nm'; did you mean \"torque_nm\".*torque_nm, angle_rad, epoch"
    ):
        open_run(root).samples(columns=["torqe_nm"])
    with pytest.raises(StorageError, match=r"give \['torque_nm'\]"):
        open_run(root).samples(columns="torque_nm")
    with pytest.raises(StorageError, match=r"no calibration 'curent'; did you mean \"current\""):
        open_run(root).samples(calibration="curent")  # type: ignore[arg-type]  # the mistake is the test
    with pytest.raises(StorageError, match=r"'tea time' is not a time"):
        open_run(root).samples(start="tea time")


def test_cycles_gaps_and_events_are_frames_with_units(root: Path) -> None:
    run = open_run(root, FIXTURE, RUN)
    cycles = run.cycles()

    assert cycles["cycle_no"].tolist() == [1, 2]
    assert cycles["run"].tolist() == [RUN, RUN]
    assert cycles["friction_nm"].tolist() == [0.110, 0.111]
    assert cycles.attrs["units"]["friction_nm"] == "N·m"
    assert cycles.attrs["units"]["temp_winding_degc"] == "°C"
    assert run.gaps()["n_missing"].sum() == 300
    assert run.events()["kind"].tolist() == ["reconnect", "clock_step"]


def test_an_unknown_dataset_is_an_error_and_one_without_rows_has_its_columns(
    root: Path, tmp_path: Path
) -> None:
    with pytest.raises(StorageError, match=r'no dataset \'cycle\'; did you mean "cycles".*raw, strokes'):
        open_run(root).frame("cycle")
    Night(tmp_path).add_chunk(1000)
    for dataset in tree.DATASETS:
        full, bare = open_run(root).frame(dataset), open_run(tmp_path).frame(dataset)
        assert list(bare.columns) == list(full.columns), dataset
        assert bare.attrs == full.attrs
    assert open_run(tmp_path).gaps()["n_missing"].sum() == 0


@pytest.mark.parametrize("seconds", [0.05, 0.7, 10.0])
def test_tiles_hold_every_sample_once_and_end_at_gaps(root: Path, seconds: float) -> None:
    run = open_run(root)
    tiles: Sequence[Tile] = list(run.tiles(seconds))
    frame = run.samples(columns=["index", "torque_raw", "encoder", "tick"])

    index = np.concatenate([np.arange(tile.index, tile.end) for tile in tiles])
    assert index.tolist() == frame["index"].tolist()
    assert np.concatenate([tile.raw for tile in tiles]).tolist() == frame["torque_raw"].tolist()
    assert np.concatenate([tile.encoder for tile in tiles]).tolist() == frame["encoder"].tolist()
    ticks = np.concatenate([tile.tick + np.arange(len(tile.raw)) * tile.ticks_per_sample for tile in tiles])
    assert ticks.tolist() == frame["tick"].tolist()
    assert max(len(tile.raw) for tile in tiles) <= round(seconds * 10_000)
    assert {1700, 30_000} <= {tile.end for tile in tiles}


def record(
    name: str, factor: float, day: int, zero_v: float = 0.0, supersedes: str | None = None
) -> CalibrationRecord:
    return CalibrationRecord(
        id=name,
        transducer="TR-204",
        factor_nm_per_v=factor,
        zero_v=zero_v,
        valid_from=datetime(2026, 11, day, tzinfo=UTC),
        supersedes=supersedes,
    )


def write_records(root: Path, *records: CalibrationRecord) -> None:
    path = root / "calibrations" / "TR-204.jsonl"
    path.parent.mkdir(exist_ok=True)
    path.write_text("".join(encode_line(each) for each in records))


def test_a_correction_appended_later_rescales_the_samples_and_not_the_files(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    write_records(
        tmp_path, record("TR-204/3", 4.0, 1), record("TR-204/4", 4.4, 1, 0.01, supersedes="TR-204/3")
    )
    run = open_run(tmp_path)
    recorded = run.samples(calibration="recorded")["torque_nm"]
    current = run.samples()["torque_nm"]

    assert current.to_numpy() == pytest.approx((recorded.to_numpy() / 4.0 - 0.01) * 4.4, rel=1e-9)


def test_a_torque_table_that_cannot_be_read_says_what_to_ask_for(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    write_records(tmp_path, record("TR-204/3", 4.0, 1), record("TR-204/4", 4.4, 1, supersedes="TR-204/3"))
    damaged = msgspec.structs.replace(manifest(), torque_channel='{"bits":24,"unit":"V","scale":"much"}')
    write_manifest(RealFiles(tmp_path), damaged)
    with pytest.raises(CalibrationError, match=f"manifest of run {RUN}.*'much'.*calibration='recorded'"):
        open_run(tmp_path).samples()


def test_without_a_file_of_records_and_with_the_same_record_current_is_recorded(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    run = open_run(tmp_path)
    recorded = run.samples(calibration="recorded")
    assert run.samples().equals(recorded)

    write_records(tmp_path, record("TR-204/3", 4.0, 1), record("TR-204/9", 8.0, 30))
    assert run.samples().equals(recorded)  # the newer record holds only from the 30th


def test_a_calibration_that_cannot_be_worked_out_says_what_to_ask_for(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    write_records(tmp_path, record("TR-204/9", 8.0, 1))
    with pytest.raises(CalibrationError, match="calibration='recorded'"):
        open_run(tmp_path).samples()
    write_manifest(RealFiles(tmp_path), msgspec.structs.replace(manifest(), rig=""))
    with pytest.raises(CalibrationError, match="no manifest with its rig"):
        open_run(tmp_path).samples()


def test_an_inline_factor_is_the_record_that_a_later_certificate_replaces(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    inline = from_settings(rig_settings().transducer)
    plan = msgspec.structs.replace(open_run(tmp_path).chunks("raw")[0].plan, calibration_id=inline.id)
    write_records(tmp_path, record("TR-204/9", 8.0, 1))
    scale = current_scale(RealFiles(tmp_path), plan, STARTED_NS, manifest())

    assert scale.lsb_nm == pytest.approx(2 * LSB_NM, rel=1e-12)
    assert scale.zero_count == pytest.approx(1234.5, rel=1e-12)


def test_the_angle_has_the_sense_that_the_rig_declares(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(2000)
    forward = open_run(tmp_path).samples()["angle_rad"]
    rig = msgspec.structs.replace(
        rig_settings(), encoder=msgspec.structs.replace(rig_settings().encoder, sense=-1)
    )
    write_manifest(
        RealFiles(tmp_path), msgspec.structs.replace(manifest(), rig=msgspec.json.encode(rig).decode())
    )

    assert open_run(tmp_path).samples()["angle_rad"].equals(-forward)


def test_a_run_that_is_not_there_is_answered_with_what_is(root: Path, tmp_path: Path) -> None:
    with pytest.raises(RunNotFoundError, match=f"it has {FIXTURE}"):
        open_run(root, "pan-b7")
    with pytest.raises(RunNotFoundError, match=f"newest of 1: {RUN}"):
        open_run(root, FIXTURE, OTHER_RUN)
    with pytest.raises(RunNotFoundError, match="contains no runs"):
        open_run(tmp_path)
    with pytest.raises(RunNotFoundError, match="is not a folder"):
        list_runs(tmp_path / "nowhere")


@pytest.mark.parametrize("climbing", ["../x", "..", "/etc", "pan-a1/../pan-a1", "a\0b", "host"])
def test_ids_that_climb_out_of_the_folder_are_refused(root: Path, climbing: str) -> None:
    with pytest.raises(StorageError):
        open_run(root, climbing)
    with pytest.raises(StorageError):
        open_run(root, FIXTURE, climbing)


def test_runs_are_listed_newest_first_with_how_they_stand(root: Path, tmp_path: Path) -> None:
    (summary,) = list_runs(root)
    assert (summary.fixture, summary.run, summary.state) == (FIXTURE, RUN, "interrupted")
    assert (summary.chunks, summary.samples, summary.cycles) == (3, 3 * CHUNK_SAMPLES - 300, 2)
    assert summary.started_utc == datetime(2026, 11, 25, 21, 30, tzinfo=UTC)

    files = RealFiles(tmp_path)
    for run in (RUN, OTHER_RUN):
        write_manifest(files, manifest(run))
    assert [each.run for each in list_runs(tmp_path)] == [OTHER_RUN, RUN]
    assert open_run(tmp_path).run == OTHER_RUN
    with pytest.warns(RunWarning, match="nothing of it is sealed yet"):
        assert open_run(tmp_path).samples().empty


def test_a_kept_run_stays_kept_when_its_manifest_is_written_again(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    write_manifest(files, manifest())
    write_manifest(files, msgspec.structs.replace(manifest(), kept=True))
    write_manifest(files, msgspec.structs.replace(manifest(), state="ended"))
    assert read_manifest(files, FIXTURE, RUN).kept
    keep(tmp_path, RUN, 1, "R. Vale", "settled", release=True)

    assert not read_marks(files).keeps(read_manifest(files, FIXTURE, RUN))
    assert read_manifest(files, FIXTURE, RUN).state == "ended"


def test_a_file_of_a_newer_major_version_is_refused_by_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquet, "SCHEMA_MAJOR", 2)
    Night(tmp_path).add_chunk(1000)
    monkeypatch.undo()
    with pytest.raises(SchemaVersionError, match=r"raw/.*schema 2\.2; this nightturn reads 1\.x"):
        open_run(tmp_path).samples()


def test_a_column_that_a_later_minor_version_adds_is_passed_over(tmp_path: Path) -> None:
    Night(tmp_path).add_chunk(1000)
    chunk = open_run(tmp_path).chunks("raw")[0]
    table = chunk.read().append_column(
        "new", pq.read_table(tmp_path / chunk.path, partitioning=None)["index"]
    )
    header = {key: value for key, value in chunk.facts.items() if key not in {"schema", "writer"}}
    described = {**header, "novelty": "x"}
    folder = (tmp_path / chunk.path).parent
    content = parquet.encode(table, "raw", described).content
    (tmp_path / chunk.path).unlink()
    files = RealFiles(tmp_path)
    name = chunk.name._replace(crc=crc32c(content)).text
    files.append(f"{folder.relative_to(tmp_path)}/{name}", content)

    assert len(open_run(tmp_path).samples()) == 1000


def test_the_public_names_are_few_and_cost_nothing_to_import() -> None:
    heavy = ("numpy", "scipy", "pandas", "pyarrow", "msgspec", "asyncio")
    code = f"import nightturn, sys; print([name for name in {heavy} if name in sys.modules])"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout

    assert loaded.strip() == "[]"
    assert len(nightturn.__all__) <= 12
    for name in nightturn.__all__:
        assert getattr(nightturn, name) is not None
    assert issubclass(nightturn.Run, Run)  # the same with its pictures
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        nightturn.nothing  # type: ignore[attr-defined]  # noqa: B018 - asking for it is the test
