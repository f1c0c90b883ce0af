"""From tape to table: order, time, flags, and what does not belong in the chunk."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.storage.scenario import (
    BLOCK_SAMPLES,
    SESSION,
    STARTED_NS,
    TICK_HZ,
    TICKS_PER_SAMPLE,
    bench_signal,
    block_body,
    block_frames,
    cut,
    plan_for,
    segment_bytes,
)

from nightturn.errors import StorageError
from nightturn.model.records import Frame, Record, Tick
from nightturn.model.rows import ChunkPlan
from nightturn.model.tiles import Int32s, Int64s
from nightturn.storage import chunk, parquet, summary
from nightturn.storage.companions import KEY
from nightturn.storage.files import RealFiles
from nightturn.storage.seal import write_chunks
from nightturn.storage.segment import read_segment
from nightturn_protocol.messages import SampleFlag

INTEGERS = ["ts", "epoch", "index", "tick", "torque_raw", "encoder"]
BYTES_PER_SAMPLE_MAX = 1.6


def encoded(records: list[Record], plan: ChunkPlan) -> pa.Table:
    return chunk.encode(read_segment(segment_bytes(records)), plan)


def test_every_sample_comes_back_with_its_index_tick_time_and_counts() -> None:
    raw, encoder = bench_signal(1000)
    table = encoded([*block_frames(raw, encoder), cut()], plan_for(1, 11, 1000))

    assert table.column("index").to_pylist() == list(range(1000))
    assert table.column("tick").to_pylist() == [i * TICKS_PER_SAMPLE for i in range(1000)]
    assert table.column("torque_raw").to_numpy().tolist() == raw.tolist()
    assert table.column("encoder").to_numpy().tolist() == encoder.tolist()
    assert set(table.column("inputs").to_pylist()) == {3}
    assert set(table.column("epoch").to_pylist()) == {1}
    assert table.schema.equals(chunk.SCHEMA)


def test_negative_torque_of_24_bits_keeps_its_sign() -> None:
    raw = np.array([-(2**23), -1, 0, 1, 2**23 - 1] * 20, np.int32)
    table = encoded([Frame(0, block_body(0, raw, np.zeros(100, np.int64)))], plan_for(1, 1, 100))

    assert table.column("torque_raw").to_numpy().tolist() == raw.tolist()


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(8)), st.lists(st.integers(0, 7), max_size=3))
def test_any_order_of_arrival_and_any_duplicate_gives_the_same_table(
    order: list[int], again: list[int]
) -> None:
    raw, encoder = bench_signal(8 * BLOCK_SAMPLES)
    frames = block_frames(raw, encoder)
    records = [frames[i] for i in [*order, *again]]
    in_order = encoded(frames, plan_for(1, 8, 800))
    skip = tuple(range(9, 9 + len(again)))

    assert encoded(records, plan_for(1, len(records), 800, skip=skip)).equals(in_order)
    assert encoded(records, plan_for(1, len(records), 800)).equals(in_order)  # a skip list has a limit


def test_frames_of_another_session_and_other_kinds_are_left_out() -> None:
    raw, encoder = bench_signal(100)
    foreign = Frame(0, block_body(100, raw, encoder, session=SESSION + 1))
    status = Frame(0, bytes([0x10, 0x22]) + SESSION.to_bytes(2, "little") + bytes(40))
    table = encoded([*block_frames(raw, encoder), foreign, status, Tick(1, 1), cut()], plan_for(1, 5, 100))

    assert table.num_rows == 100


def test_a_frame_with_a_good_checksum_that_is_no_block_is_left_out() -> None:
    raw, encoder = bench_signal(200)
    frames = block_frames(raw, encoder)
    broken = Frame(0, block_body(900, raw[:100], encoder[:100])[:-7])

    assert encoded([frames[0], broken, frames[1]], plan_for(1, 3, 200)).num_rows == 200


def test_records_outside_the_plan_are_left_out() -> None:
    raw, encoder = bench_signal(300)
    table = encoded(block_frames(raw, encoder), plan_for(2, 2, 100))

    assert table.column("index").to_pylist() == list(range(100, 200))


@pytest.mark.parametrize(
    ("plan", "message"),
    [
        (plan_for(1, 9, 300), "the segment has 1 to 3"),
        (plan_for(1, 3, 299), "the core took 299 samples, the tape gives 300"),
        (plan_for(1, 3, 300, knots=((0, 5), (10, 5))), "do not rise"),
        (plan_for(1, 3, 300, knots=()), "no clock knot"),
    ],
)
def test_a_plan_of_another_segment_is_refused(plan: ChunkPlan, message: str) -> None:
    with pytest.raises(StorageError, match=message):
        encoded(block_frames(*bench_signal(300)), plan)


def test_samples_before_the_lock_are_flagged_and_keep_their_own_flags() -> None:
    raw, encoder = bench_signal(100)
    frame = Frame(0, block_body(0, raw, encoder, flags=SampleFlag.OVERRANGE))
    table = encoded([frame], plan_for(1, 1, 100, unlocked_until_tick=40 * TICKS_PER_SAMPLE))
    flags = table.column("flags").to_numpy()

    assert set(flags[:40]) == {SampleFlag.TIME_UNLOCKED | SampleFlag.OVERRANGE}
    assert set(flags[40:]) == {SampleFlag.OVERRANGE}


def test_a_chunk_without_samples_is_an_empty_table() -> None:
    plan = plan_for(1, 1, 0, knots=())

    assert encoded([cut()], plan).num_rows == 0


rises = st.lists(st.integers(1, 2 * TICK_HZ), min_size=2, max_size=6)


@settings(max_examples=100)
@given(
    rises,
    st.lists(st.integers(999_500_000, 1_000_500_000), min_size=6, max_size=6),
    st.integers(-(2**40), 2**40),
)
def test_time_passes_through_the_knots_and_never_steps_back(
    ticks: list[int], ns: list[int], tick0: int
) -> None:
    line = [(tick0, STARTED_NS)]
    for dtick, dns in zip(ticks, ns, strict=False):
        line.append((line[-1][0] + dtick, line[-1][1] + dns))
    tick = np.unique(np.linspace(line[0][0] - 1000, line[-1][0] + 1000, 5000).astype(np.int64))
    tick = np.union1d(tick, np.array([knot[0] for knot in line], np.int64))
    times = chunk.times_ns(tick, chunk.clock_line(line, TICK_HZ))

    assert (np.diff(times) >= 0).all()
    assert [int(times[np.searchsorted(tick, at)]) for at, _ in line] == [ts for _, ts in line]
    for order in (
        slice(None, None, -1),
        slice(None, None, 7),
    ):  # the same time for a tick, whatever comes beside it
        assert (chunk.times_ns(tick[order], chunk.clock_line(line, TICK_HZ)) == times[order]).all()


@given(st.integers(0, 10_000_000), st.integers(1, 2**31), st.integers(1, 2**31))
def test_time_between_knots_is_exact_to_half_a_nanosecond(at: int, dtick: int, dns: int) -> None:
    at %= dtick
    exact_twice = 2 * at * dns  # in units of 1 / (2 dtick) ns, integer arithmetic
    found = int(chunk.times_ns(np.array([at]), chunk.clock_line([(0, 0), (dtick, dns)], TICK_HZ))[0])

    assert abs(2 * dtick * found - exact_twice) <= dtick * (1 + 1e-6)


def test_a_single_knot_goes_on_at_the_nominal_rate() -> None:
    times = chunk.times_ns(np.array([900, 1000, 1001]), chunk.clock_line([(1000, STARTED_NS)], TICK_HZ))

    assert times.tolist() == [STARTED_NS - 100_000, STARTED_NS, STARTED_NS + 1000]


def test_the_footer_says_the_encodings_that_keep_the_file_small() -> None:
    # Names as in the Parquet format's Encodings.md. A silent fall-back to a writer's defaults costs seven times the
    # size: tests/benchmarks/storage_size.py shows what these encodings give.
    samples = 250_000
    table = encoded(block_frames(*bench_signal(samples)), plan_for(1, samples // 100, samples))
    segment = read_segment(segment_bytes([]))
    content = parquet.encode(
        table, "raw", parquet.plan_metadata(segment.header, plan_for(1, 2500, samples))
    ).content
    footer = pq.read_metadata(pa.BufferReader(content))
    group = footer.row_group(0)
    columns = {group.column(i).path_in_schema: group.column(i) for i in range(group.num_columns)}

    for name in INTEGERS:
        assert columns[name].encodings == ("DELTA_BINARY_PACKED",) or set(columns[name].encodings) == {
            "DELTA_BINARY_PACKED",
            "RLE",
        }, name
        assert columns[name].dictionary_page_offset is None, name
    for name in ("flags", "inputs"):
        assert columns[name].has_dictionary_page, name
    assert {column.compression for column in columns.values()} == {"ZSTD"}
    assert all(column.has_offset_index and column.has_column_index for column in columns.values())
    assert [footer.row_group(i).num_rows for i in range(footer.num_row_groups)] == [120_000, 120_000, 10_000]
    assert len(content) / samples < BYTES_PER_SAMPLE_MAX


def test_the_same_chunk_gives_the_same_bytes() -> None:
    records = block_frames(*bench_signal(1000))
    header = read_segment(segment_bytes([])).header
    plan = plan_for(1, 10, 1000)
    once, twice = (
        parquet.encode(encoded(records, plan), "raw", parquet.plan_metadata(header, plan)).content
        for _ in range(2)
    )

    assert once == twice


def frames_of_any_length(raw: Int32s, encoder: Int64s) -> list[Record]:
    """The signal in blocks of 10 to 120 samples."""
    ends = [0]
    while ends[-1] < len(raw):
        ends.append(min(ends[-1] + 10 + len(ends) * 37 % 111, len(raw)))
    return [
        Frame(end * 100_000, block_body(begin, raw[begin:end], encoder[begin:end], seq=seq))
        for seq, (begin, end) in enumerate(pairwise(ends))
    ]


def test_a_chunk_is_written_part_by_part_to_the_bytes_that_it_has_as_a_whole(tmp_path: Path) -> None:
    samples = 250_000
    records = frames_of_any_length(*bench_signal(samples))
    plan = plan_for(1, len(records), samples)
    content = segment_bytes(records)
    segment = read_segment(content)
    files = RealFiles(tmp_path)
    files.append("tape.ntj", content)

    parts = list(chunk.parts(segment, plan))
    assert [part.num_rows for part in parts] == [120_000, 120_000, 10_000]
    assert pa.concat_tables(parts).column("index").to_pylist() == list(range(samples))

    (raw,) = [each for each in write_chunks(files, "tape.ntj", [plan], []).chunks if each.dataset == "raw"]
    written = files.read(raw.path)
    facts = parquet.facts_of(pq.read_metadata(pa.BufferReader(written)), raw.path)
    described = {**parquet.plan_metadata(segment.header, plan), KEY: facts[KEY]}
    assert parquet.encode(pa.concat_tables(parts).combine_chunks(), "raw", described).content == written


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(0, 25_000), max_size=6), st.integers(0, 999_999_999))
def test_summaries_of_parts_are_those_of_the_whole(cuts: list[int], offset_ns: int) -> None:
    samples = 25_000
    knots = tuple((s * TICK_HZ, STARTED_NS + offset_ns + s * 1_000_037_300) for s in range(4))
    plan = plan_for(1, samples // 100, samples, knots=knots)
    table = encoded(block_frames(*bench_signal(samples)), plan)

    whole, parts = summary.Seconds(), summary.Seconds()
    whole.add(table)
    edges = [0, *sorted(cuts), samples]
    for begin, end in pairwise(edges):
        parts.add(table.slice(begin, end - begin))

    assert [name for name, _ in parts.tables(plan)] == ["summary1s", "summary1m"]
    for (_, one), (_, other) in zip(parts.tables(plan), whole.tables(plan), strict=True):
        assert one.equals(other)


def test_a_chunk_without_samples_has_no_summary() -> None:
    plan = plan_for(1, 1, 0, knots=())
    seconds = summary.Seconds()
    seconds.add(encoded([cut()], plan))

    assert list(seconds.tables(plan)) == []


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 30), st.integers(1, 30))
def test_a_summary_agrees_with_plain_sums_over_its_window(seed: int, narrow_ms: int, times: int) -> None:
    raw, encoder = bench_signal(1000, seed=seed)
    table = encoded(block_frames(raw, encoder), plan_for(1, 10, 1000))
    window_ns = narrow_ms * times * 1_000_000
    windows = summary.merged(summary.of_samples(table, narrow_ms * 1_000_000), window_ns)
    rows = summary.as_table(windows, 131_072).to_pylist()
    ts = table.column("ts").cast(pa.int64()).to_numpy()

    assert sum(row["n"] for row in rows) == 1000
    done = 0
    for row in rows:
        part = slice(done, done + row["n"])
        start = row["ts"].value
        assert (ts[part] >= start).all()
        assert (ts[part] < start + window_ns).all()
        assert (row["torque_min"], row["torque_max"]) == (raw[part].min(), raw[part].max())
        assert row["torque_mean"] == pytest.approx(raw[part].mean())
        assert row["torque_rms"] == pytest.approx(raw[part].std(), abs=1e-9)
        assert (row["encoder_min"], row["encoder_max"]) == (encoder[part].min(), encoder[part].max())
        done += row["n"]


def test_the_speed_of_a_window_is_travel_over_time_and_absent_for_one_sample() -> None:
    encoder = np.arange(100, dtype=np.int64) * 131
    frame = Frame(0, block_body(0, np.zeros(100, np.int32), encoder))
    table = encoded(
        [frame], plan_for(1, 1, 100, knots=((0, STARTED_NS), (TICK_HZ, STARTED_NS + 1_000_000_000)))
    )
    speeds = summary.as_table(summary.of_samples(table, 10_000_000), 131_072)[
        "speed_mean_rad_per_s"
    ].to_pylist()
    single = summary.as_table(summary.of_samples(table.slice(0, 1), 10_000_000), 131_072)

    assert speeds == pytest.approx([131 / 131_072 * 2 * np.pi * 10_000])
    assert single["speed_mean_rad_per_s"].to_pylist() == [None]
