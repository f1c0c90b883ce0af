"""How small and how fast the store is: bytes per sample, encoding, tape, reading back, and the same columns in other containers.

    python tests/benchmarks/storage_size.py [--samples 3000000] [--sigma 64] [--json]

Five minutes at 10 kS/s with 64 counts of noise by default. CPU time, the best of several passes; orientation, not a
test. The bound on the size is a test in tests/storage.
"""

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from tests.benchmarks.containers import CONTAINERS, Container, columns_of, size_of
from tests.storage.scenario import BLOCK_SAMPLES, bench_signal, block_frames, plan_for, segment_bytes

from nightturn.model.records import Record
from nightturn.model.rows import ChunkPlan
from nightturn.storage import chunk, parquet, summary, tape
from nightturn.storage.files import RealFiles
from nightturn.storage.segment import Segment, read_segment

PASSES = 3


@dataclass(frozen=True, slots=True)
class Line:
    """One figure with its bound: `at_most` or `at_least`, or neither."""

    name: str
    value: float
    unit: str
    bound: str


def best_s(job: Callable[[], object]) -> float:
    """CPU seconds of the fastest pass."""
    fastest = math.inf
    for _ in range(PASSES):
        begin = time.process_time_ns()
        job()
        fastest = min(fastest, (time.process_time_ns() - begin) / 1e9)
    return fastest


def tape_lines(records: list[Record], content: bytes) -> list[Line]:
    """Cost of a frame record on its way to the tape and back."""
    n, salt = len(records), tape.salt_of(1)
    batches = [records[start : start + 8] for start in range(0, n, 8)]
    segment = read_segment(content)

    def append_batches() -> None:
        with tempfile.TemporaryDirectory() as folder:
            files = RealFiles(Path(folder))
            for batch in batches:
                files.append("journal/x.ntj", tape.encode_records(batch, 1, salt))
            files.close()

    def replay() -> None:
        for _ in read_segment(content).records():
            pass

    return [
        Line("tape: bytes per sample", len(content) / (n * BLOCK_SAMPLES), "B", ""),
        Line(
            "tape: encode",
            best_s(lambda: tape.encode_records(records, 1, salt)) / n * 1e6,
            "µs/record",
            "<= 2",
        ),
        Line("tape: encode and append, 8 records a write", best_s(append_batches) / n * 1e6, "µs/record", ""),
        Line("tape: scan and check", best_s(lambda: read_segment(content)) / n * 1e6, "µs/record", ""),
        Line("tape: records", best_s(lambda: list(segment.records())) / n * 1e6, "µs/record", ""),
        Line("tape: read whole", best_s(replay) / n * 1e6, "µs/record", "<= 4"),
    ]


def chunk_lines(segment: Segment, plan: ChunkPlan, sigma: float) -> list[Line]:
    """Size and speed of a raw chunk."""
    described = parquet.plan_metadata(segment.header, plan)
    table = chunk.encode(segment, plan)
    content = parquet.encode(table, "raw", described).content
    millions = plan.samples / 1e6
    footer = pq.read_metadata(pa.BufferReader(content))
    groups = [footer.row_group(g) for g in range(footer.num_row_groups)]
    sizes = {
        name: sum(group.column(i).total_compressed_size for group in groups) / plan.samples
        for i, name in enumerate(table.column_names)
    }

    def read_back() -> None:
        pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True).read(use_threads=False)

    def seal() -> None:
        raw, seconds = parquet.Encoder(chunk.SCHEMA, "raw", "index"), summary.Seconds()
        for part in chunk.parts(segment, plan):
            raw.add(part)
            seconds.add(part)
        raw.finish(described)
        list(seconds.tables(plan))

    noise_bytes = 0.5 * math.log2(2 * math.pi * math.e * sigma**2) / 8
    return [
        Line("raw: bytes per sample", len(content) / plan.samples, "B", "<= 1.45 at sigma 64"),
        Line("raw: entropy of the torque noise alone", noise_bytes, "B", ""),
        *(Line(f"raw: column {name}", size, "B", "") for name, size in sizes.items()),
        Line("raw: tape to table", millions / best_s(lambda: chunk.encode(segment, plan)), "MS/s", ""),
        Line(
            "raw: table to Parquet",
            millions / best_s(lambda: parquet.encode(table, "raw", described)),
            "MS/s",
            "",
        ),
        Line("raw: tape to Parquet and summaries", millions / best_s(seal), "MS/s", ""),
        Line("raw: read all columns, checksums on", millions / best_s(read_back), "MS/s", ""),
    ]


def container_lines(table: pa.Table) -> list[Line]:
    """Size and speed of the same columns in each container; MB are of the columns as they lie in memory, files on a disk in memory or not."""
    columns = columns_of(table)
    plain_mb = sum(values.nbytes for values in columns.values()) / 1e6
    lines = [Line("columns in memory: bytes per sample", 1e6 * plain_mb / table.num_rows, "B", "")]
    for container in CONTAINERS:
        with tempfile.TemporaryDirectory() as folder:
            lines += _container_lines(container, table, plain_mb, Path(folder))
    return lines


def _container_lines(container: Container, table: pa.Table, plain_mb: float, folder: Path) -> list[Line]:
    columns, places = columns_of(table), [folder / str(number) for number in range(PASSES)]
    free = iter(places)
    write_s = best_s(lambda: container.write(table, columns, next(free)))
    read_s = best_s(lambda: container.read(places[0]))
    for name, values in container.read(places[0]).items():
        assert np.array_equal(values, columns[name]), f"{container.name}: {name} is not what was written"
    named = f"{container.name}:"
    return [
        Line(f"{named} bytes per sample", size_of(places[0]) / table.num_rows, "B", ""),
        Line(f"{named} write", plain_mb / write_s, "MB/s", ""),
        Line(f"{named} read all", plain_mb / read_s, "MB/s", ""),
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--samples", type=int, default=3_000_000)
    parser.add_argument("--sigma", type=float, default=64.0)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    samples = options.samples // BLOCK_SAMPLES * BLOCK_SAMPLES
    records = block_frames(*bench_signal(samples, options.sigma))
    content = segment_bytes(records)
    plan = plan_for(1, len(records), samples)
    segment = read_segment(content)
    lines = tape_lines(records, content) + chunk_lines(segment, plan, options.sigma)
    lines += container_lines(chunk.encode(segment, plan))
    if options.json:
        print(json.dumps([asdict(line) for line in lines], indent=1))
        return
    for line in lines:
        print(f"{line.name:54} {line.value:10.4f} {line.unit:10} {line.bound}")


if __name__ == "__main__":
    main()
