"""Names under the data root: made here and nowhere else, and read back here."""

import re
from datetime import UTC, datetime
from typing import NamedTuple

from nightturn.errors import StorageError
from nightturn.model.names import RUN_ID, fixture_id_problem
from nightturn.model.rows import ChunkPlan

RAW = "raw"
SUMMARY_1S = "summary1s"
SUMMARY_1M = "summary1m"
CATALOGUE = "catalogue.sqlite"
ROOT_LOCK = "nightturn.lock"
TEMPORARY_SUFFIX = ".tmp"
SEGMENT_SUFFIX = ".ntj"
MARKS_SUFFIX = ".marks.jsonl"

_CHUNK = re.compile(r"c(\d{6})-(\d{12,20})-(\d{12,20})-([0-9a-f]{8})\.parquet")
_DATE_NS = 1_000_000_000


class ChunkName(NamedTuple):
    """What the name of a chunk says."""

    chunk_no: int
    first: int
    last: int
    crc: int

    @property
    def stem(self) -> str:
        """The part that is known before the content is."""
        return f"c{self.chunk_no:06d}-{self.first:012d}-{self.last:012d}-"

    @property
    def text(self) -> str:
        """The file name."""
        return f"{self.stem}{self.crc:08x}.parquet"


def chunk_name(name: str) -> ChunkName | None:
    """The parts of a chunk's file name; None when it is no chunk."""
    match = _CHUNK.fullmatch(name)
    if match is None:
        return None
    return ChunkName(int(match[1]), int(match[2]), int(match[3]), int(match[4], 16))


def checked_fixture(fixture: str) -> str:
    """The fixture id, fit to be a folder.

    Raises:
        StorageError: it is not a fixture id.
    """
    problem = fixture_id_problem(fixture)
    if problem is not None:
        raise StorageError(problem)
    return fixture


def is_run(run: str) -> bool:
    """Whether a text is a run id."""
    return RUN_ID.fullmatch(run) is not None


def checked_run(run: str) -> str:
    """The run id, fit to be a folder.

    Raises:
        StorageError: it is not a run id.
    """
    if not RUN_ID.fullmatch(run):
        raise StorageError(f"{run!r} is not a run id (like 20261125T213000Z-4f1c)")
    return run


def journal_folder(fixture: str) -> str:
    """Where a fixture's tape is written."""
    return f"journal/{checked_fixture(fixture)}"


def sealed_folder(fixture: str) -> str:
    """Where finished segments are kept."""
    return f"{journal_folder(fixture)}/sealed"


def segment_path(fixture: str, first_record_no: int, segment_id: int) -> str:
    """The path of a segment; names sort in record order."""
    return f"{journal_folder(fixture)}/{first_record_no:012d}-{segment_id:016x}{SEGMENT_SUFFIX}"


def first_of_segment(path: str) -> int:
    """The first record number that a segment's name says; 0 when it is no segment's name."""
    first = path.rpartition("/")[2].partition("-")[0]
    return int(first) if first.isdecimal() else 0


def run_folder(dataset: str, fixture: str, started_utc_ns: int, run: str) -> str:
    """The folder of a run's chunks; a night stays in the folder of the UTC date on which it began."""
    date = datetime.fromtimestamp(started_utc_ns // _DATE_NS, UTC).date().isoformat()
    return f"{dataset}/fixture={checked_fixture(fixture)}/date={date}/run={checked_run(run)}"


def manifest_path(fixture: str, run: str) -> str:
    """The run's manifest."""
    return f"runs/{checked_fixture(fixture)}/{checked_run(run)}.json"


def marks_path(fixture: str, run: str) -> str:
    """What is said of the run by those who keep, clear and redate, beside its manifest."""
    return f"runs/{checked_fixture(fixture)}/{checked_run(run)}{MARKS_SUFFIX}"


def name_of(plan: ChunkPlan, crc: int) -> ChunkName:
    """The name of the plan's chunk with this content."""
    return ChunkName(plan.chunk_no, plan.first, plan.last, crc)
