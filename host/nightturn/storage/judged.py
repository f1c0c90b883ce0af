"""The judged cycles of a run as they lie on the disk, a chunk at a time, for whoever has to count them again.

What cannot be told is said, chunk by chunk and figure by figure: a cycle that is left out must not go unnoticed.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

import msgspec
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from crc32c import crc32c

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.figures import BudgetLine, Figure
from nightturn.model.rows import BUDGET, CYCLES
from nightturn.storage import tree
from nightturn.storage.chunk_file import check_place
from nightturn.storage.parquet import facts_of
from nightturn.storage.paths import ChunkName
from nightturn.storage.reanalysed import read_result
from nightturn.world import Files, ReadFiles

ROWS_MAX = 500_000
"""Of one file; an hour of cycles of ten seconds has some 35,000 budget lines."""
SAME_REL = 1e-9
"""Within which the lines of a budget add up to the whole, on every machine."""
PARTS = {
    "": "value",
    "_u": "u",
    "_nu": "nu",
    "_status": "status",
    "_u_rep": "u_rep",
    "_nu_rep": "nu_rep",
    "_u_common": "u_common",
    "_kind": "kind",
}
"""End of a figure's column -> what it holds; as many as an interval of several cycles needs."""
KEYS = ("cycle_no", "config_digest", "limit_words")
LINES = ("cycle_no", "figure", "line", "u", "nu", "common", "source")

Budgets = dict[tuple[int, str], tuple[BudgetLine, ...]]


class JudgedCycle(msgspec.Struct, frozen=True):
    """One cycle as it was judged.

    Attributes:
        limit_words: met, missed, undecided or not judged for each limit of the variant, in its order.
        figures: those that were asked for, with their budgets.
        unbudgeted: the ones among them whose lines do not add up to their uncertainty.
    """

    cycle_no: int
    config_digest: str
    limit_words: tuple[str, ...]
    figures: tuple[Figure, ...]
    unbudgeted: frozenset[str]


class JudgedChunk(msgspec.Struct, frozen=True):
    """The cycles of one chunk, in order of their numbers.

    Attributes:
        chunk_no: its number in the run.
        cycles: none where `trouble` says why they cannot be told.
        last_cycle: the highest cycle number that its budgets name, 0 where they name none.
        budget_trouble: why the budgets cannot be told; empty when they can.
    """

    chunk_no: int
    cycles: tuple[JudgedCycle, ...] = ()
    trouble: str = ""
    last_cycle: int = 0
    budget_trouble: str = ""


def judged_chunks(files: Files, fixture: str, run: str, figures: Sequence[str]) -> Iterator[JudgedChunk]:
    """Every chunk of a run that holds cycles, oldest first; each file is read once, one chunk is in memory at a time.

    A chunk whose budgets name cycles held some, also where the file of these is gone.

    Args:
        files: the data root.
        fixture: its id.
        run: its id.
        figures: the figures that are wanted.
    """
    budgets = dict(_chunks(files, BUDGET, fixture, run))
    held = dict(_chunks(files, CYCLES, fixture, run))
    for name in sorted({*held, *budgets}):
        lines, last, budget_trouble = _budgets(files, budgets.get(name), name[0], figures)
        if name not in held:
            if last or budget_trouble:
                yield JudgedChunk(name[0], (), f"chunk {name[0]} of the dataset {CYCLES} is missing", last)
            continue
        wanted = (*KEYS, *(figure + part for figure in figures for part in PARTS))
        cycles: tuple[JudgedCycle, ...] = ()
        trouble = ""
        try:
            rows = sorted(_table(files, held[name], wanted).to_pylist(), key=lambda row: row["cycle_no"])
            cycles = tuple(_cycle(row, figures, lines) for row in rows)
        except (CorruptFileError, SchemaVersionError, msgspec.ValidationError, _NotToldError) as problem:
            trouble = _trouble(CYCLES, name[0], problem)
        yield JudgedChunk(name[0], cycles, trouble, last, budget_trouble)


def judged_again(
    files: ReadFiles, method: str, fixture: str, run: str, figures: Sequence[str]
) -> tuple[JudgedCycle, ...]:
    """The cycles of a run as a re-analysis made them, in order of their numbers; the errors are those of `reanalysed.read_result`."""
    wanted = (*KEYS, *(figure + part for figure in figures for part in PARTS))
    cycles = read_result(files, method, fixture, run, CYCLES, wanted)
    lines = _lines(read_result(files, method, fixture, run, BUDGET, LINES), figures)
    rows = sorted(cycles.to_pylist(), key=lambda row: row["cycle_no"])
    return tuple(_cycle(row, figures, lines) for row in rows)


class _NotToldError(Exception):
    """A file that is whole and yet does not say what is asked."""


def _chunks(
    files: Files, dataset: str, fixture: str, run: str
) -> Iterator[tuple[tuple[int, int, int], tuple[str, ChunkName]]]:
    """The chunks of a dataset by what is alike in the names of all datasets' files of one chunk."""
    folder = tree.run_folder(files, dataset, fixture, run)
    for path, name in tree.chunks(files, folder.path) if folder is not None else []:
        yield (name.chunk_no, name.first, name.last), (path, name)


def _table(files: Files, named: tuple[str, ChunkName], columns: Sequence[str]) -> pa.Table:
    """Some columns of a chunk whose checksums hold."""
    path, name = named
    try:
        content = files.read(path)
        if crc32c(content) != name.crc:
            raise CorruptFileError(path, "its content fails the checksum in its name")
        opened = pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True)
        check_place(facts_of(opened.metadata, path), path, name)
        if opened.metadata.num_rows > ROWS_MAX:
            raise _NotToldError(f"has more than {ROWS_MAX} rows")
        there = set(opened.schema_arrow.names)
        missing = [each for each in columns if each not in there]
        if missing:
            raise _NotToldError(f"has no column {missing[0]}")
        return opened.read(columns=list(columns), use_threads=False)
    except (pa.ArrowException, OSError, ValueError) as problem:
        raise CorruptFileError(path, f"cannot be read: {problem}") from problem


def _trouble(dataset: str, chunk_no: int, problem: Exception) -> str:
    """Why a chunk does not tell, as the end of a sentence about its cycles."""
    if isinstance(problem, SchemaVersionError):
        what = "is of a newer version"
    else:
        what = str(problem) if isinstance(problem, _NotToldError) else "is damaged"
    return f"chunk {chunk_no} of the dataset {dataset} {what}"


def _budgets(
    files: Files, named: tuple[str, ChunkName] | None, chunk_no: int, figures: Sequence[str]
) -> tuple[Budgets, int, str]:
    """The lines by cycle and figure, the highest cycle that they name, and why there are none."""
    if named is None:
        return {}, 0, f"chunk {chunk_no} of the dataset {BUDGET} is missing"
    try:
        table = _table(files, named, LINES)
    except (CorruptFileError, SchemaVersionError, _NotToldError) as problem:
        return {}, 0, _trouble(BUDGET, chunk_no, problem)
    last = pc.max(table["cycle_no"]).as_py() or 0
    return _lines(table, figures), last, ""


def _lines(table: pa.Table, figures: Sequence[str]) -> Budgets:
    """The lines of a table of budgets, by cycle and figure."""
    found: defaultdict[tuple[int, str], list[BudgetLine]] = defaultdict(list)
    for row in table.filter(pc.is_in(table["figure"], pa.array(figures, pa.string()))).to_pylist():
        line = BudgetLine(row["line"], row["u"], row["nu"], common=row["common"], source=row["source"])
        found[row["cycle_no"], row["figure"]].append(line)
    return {key: tuple(lines) for key, lines in found.items()}


def _cycle(row: dict[str, object], figures: Sequence[str], lines: Budgets) -> JudgedCycle:
    cycle_no = row["cycle_no"]
    assert isinstance(cycle_no, int)
    found = []
    for name in figures:
        parts = {attribute: row[name + end] for end, attribute in PARTS.items()}
        known = {attribute: part for attribute, part in parts.items() if part is not None}
        known.setdefault("value", None)  # the one part that has no default
        found.append(
            msgspec.convert({"name": name, "budget": lines.get((cycle_no, name), ()), **known}, Figure)
        )
    return JudgedCycle(
        cycle_no,
        str(row["config_digest"]),
        msgspec.convert(row["limit_words"], tuple[str, ...]),
        tuple(found),
        frozenset(each.name for each in found if not _adds_up(each)),
    )


def _adds_up(figure: Figure) -> bool:
    """Whether the lines are those that the uncertainty was made of; without one there are none."""
    if figure.u is None:
        return not figure.budget
    whole = math.hypot(*(line.u for line in figure.budget))
    common = math.hypot(*(line.u for line in figure.budget if line.common))
    return math.isclose(whole, figure.u, rel_tol=SAME_REL) and math.isclose(
        common, figure.u_common, rel_tol=SAME_REL
    )
