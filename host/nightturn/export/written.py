"""An export as files: written whole beside where they go, then renamed, and never over a file that nobody offered."""

import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

import msgspec

from nightturn.errors import ConfigError, StorageError
from nightturn.export.guide import guide, write_gaps
from nightturn.export.measurement import MdfWriter
from nightturn.export.pieces import Block, Hole, Totals, pieces
from nightturn.export.sound import WavWriter
from nightturn.export.stretch import Stretch
from nightturn.export.tables import CsvWriter, ParquetWriter
from nightturn.model.clocks import clock_text


class Writer(Protocol):
    """What takes a stretch piece by piece."""

    def block(self, block: Block) -> None:
        """Samples."""
        ...

    def hole(self, hole: Hole) -> None:
        """Missing ones."""
        ...

    def close(self) -> None:
        """The end of the file."""
        ...

    def drop(self) -> None:
        """Let go of what is open: the file is not wanted any more."""
        ...


WRITERS: dict[str, tuple[str, Callable[[Path, Stretch], Writer]]] = {
    "csv": (".csv", CsvWriter),
    "parquet": (".parquet", ParquetWriter),
    "mdf4": (".mf4", MdfWriter),
    "wav": (".wav", WavWriter),
}
"""By what is asked for: the ending of the file, and what writes it."""


class FileNames(msgspec.Struct, frozen=True):
    """Of a stretch as one kind: samples, and what lies beside them under the same name, so that kinds of one stretch share a folder."""

    samples: str
    guide: str
    gaps: str


def names_of(stretch: Stretch, kind: str) -> FileNames:
    """Names of the files of a kind."""
    name = f"{base_name(stretch)}{WRITERS[kind][0]}"
    return FileNames(name, f"{name}.guide.md", f"{name}.gaps.csv")


class Exported(msgspec.Struct, frozen=True, kw_only=True):
    """What was written.

    Attributes:
        files: names, the samples first. folder: where they lie.
        samples, missing, gaps: in the stretch. first_ts, last_ts: of its samples, UTC ns. timezone: of the bench.
        remarks: what is not as it should be, sentences.
    """

    fixture: str
    run: str
    unit: str
    folder: str
    files: tuple[str, ...]
    samples: int
    missing: int
    gaps: int
    first_ts: int
    last_ts: int
    timezone: str
    remarks: tuple[str, ...] = ()


def export(stretch: Stretch, kind: str, folder: Path, *, overwrite: bool = False) -> Exported:
    """Write a stretch as one kind of file, with its guide and its gaps beside it.

    Raises:
        ConfigError: a file of that name is there; or a library is not installed.
        StorageError: the stretch has no sample, or a file cannot be written.
    """
    named = names_of(stretch, kind)
    with placed(folder, (named.samples, named.guide, named.gaps), overwrite=overwrite) as made:
        totals = write_stretch(stretch, kind, made)
        names = sorted(each.name for each in made.iterdir())
    others = (each for each in names if each != named.samples)
    return exported(stretch, totals, folder, (named.samples, *others))


def write_stretch(stretch: Stretch, kind: str, folder: Path) -> Totals:
    """Write samples, guide and gaps into a folder.

    Raises:
        StorageError: the stretch has no sample.
    """
    named = names_of(stretch, kind)
    totals = write_samples(stretch, kind, folder / named.samples)
    (folder / named.guide).write_text(guide(stretch, kind, named.samples, totals), "utf-8")
    write_gaps(folder / named.gaps, totals.holes)
    return totals


def exported(stretch: Stretch, totals: Totals, folder: Path, files: tuple[str, ...]) -> Exported:
    """What is said of files that were written."""
    return Exported(
        fixture=stretch.summary.fixture,
        run=stretch.summary.run,
        unit=stretch.summary.unit,
        folder=str(folder),
        files=files,
        samples=totals.samples,
        missing=totals.missing,
        gaps=len(totals.holes),
        first_ts=totals.first_ts,
        last_ts=totals.last_ts,
        timezone=stretch.zone,
        remarks=stretch.remarks,
    )


def write_samples(stretch: Stretch, kind: str, path: Path) -> Totals:
    """Write the samples of a stretch.

    Raises:
        StorageError: there are none; says why.
    """
    totals = Totals()
    found = pieces(stretch)
    before: list[Hole] = []  # a writer is begun with the first sample: without one nothing is written
    for piece in found:
        totals.add(piece)
        if isinstance(piece, Block):
            break
        before.append(piece)
    else:
        raise StorageError(_nothing(stretch, totals))
    writer = WRITERS[kind][1](path, stretch)
    try:
        for hole in before:
            writer.hole(hole)
        writer.block(piece)
        for piece in found:
            totals.add(piece)
            if isinstance(piece, Block):
                writer.block(piece)
            else:
                writer.hole(piece)
        writer.close()
    except BaseException:
        writer.drop()
        raise
    return totals


def _nothing(stretch: Stretch, totals: Totals) -> str:
    causes = sorted({hole.cause for hole in totals.holes})
    why = f"a gap by {' and '.join(causes)}" if causes else "it is shorter than one sample"
    begin, end = stretch.local(stretch.start_ns), stretch.local(stretch.stop_ns)
    return f"run {stretch.summary.run} has no sample from {begin} to {end}: {why}; nothing was written"


def base_name(stretch: Stretch) -> str:
    """`Q-0121-20261127T230628Z-de03`, with the times of a part behind it; signs of a serial that no file name needs become `_`."""
    unit = "".join(
        each if (each.isalnum() and each.isascii()) or each in "-_." else "_" for each in stretch.summary.unit
    )
    part = "" if stretch.whole else f"-{_compact(stretch.start_ns)}-{_compact(stretch.stop_ns)}"
    return f"{unit[:64].lstrip('.') or 'unit'}-{stretch.summary.run}{part}"


def _compact(ts: int) -> str:
    """A moment in UTC as a name takes it: `20261128T031200Z`."""
    return clock_text(ts, 0)[:19].replace("-", "").replace(":", "").replace(" ", "T") + "Z"


@contextmanager
def placed(folder: Path, names: Sequence[str], *, overwrite: bool) -> Iterator[Path]:
    """A folder for files that go into another one when all are whole; `names` are those that are known beforehand.

    Raises:
        ConfigError: one of that name is there, and nobody offered it.
        StorageError: they cannot be written.
    """
    if not overwrite:
        _check_free(folder, names)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder, prefix=".export-") as made:
            yield Path(made)
            files = sorted(Path(made).iterdir())
            if not overwrite:
                _check_free(folder, [each.name for each in files])
            for each in files:
                each.replace(folder / each.name)
    except OSError as problem:
        raise StorageError(
            f"{folder} cannot be written: {problem}; choose another place with --out"
        ) from problem


def _check_free(folder: Path, names: Sequence[str]) -> None:
    for name in names:
        if (folder / name).exists():
            what = f"{folder / name} is there already"
            raise ConfigError(what, where="--out", allowed="another folder, or --overwrite")
