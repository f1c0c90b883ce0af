"""Walks over what lies under the data root, by name only."""

from collections.abc import Iterator
from typing import NamedTuple

from nightturn.model.names import RUN_ID
from nightturn.model.rows import CURVES, CYCLES, ROW_OF_DATASET
from nightturn.storage import paths
from nightturn.world import ReadFiles

DATASETS = (paths.RAW, *ROW_OF_DATASET, CURVES, CYCLES, paths.SUMMARY_1S, paths.SUMMARY_1M)


class RunFolder(NamedTuple):
    """A folder of chunks: `path` is relative to the data root."""

    path: str
    fixture: str
    date: str
    run: str


def fixtures(files: ReadFiles) -> list[str]:
    """Every fixture that has samples."""
    return [name.partition("=")[2] for name in files.list(paths.RAW) if name.startswith("fixture=")]


def run_folders(files: ReadFiles, dataset: str, fixture: str) -> Iterator[RunFolder]:
    """The folders of a fixture's runs in one dataset, oldest first."""
    base = f"{dataset}/fixture={fixture}"
    for date in files.list(base):
        for run in files.list(f"{base}/{date}"):
            if run.startswith("run="):
                yield RunFolder(
                    f"{base}/{date}/{run}", fixture, date.partition("=")[2], run.partition("=")[2]
                )


def run_folder(files: ReadFiles, dataset: str, fixture: str, run: str) -> RunFolder | None:
    """The folder of one run, or None; looked for under the date in its id before under all others.

    One with files in it is found without reading the names of other runs.
    """
    base = f"{dataset}/fixture={fixture}"
    if RUN_ID.fullmatch(run):
        folder = _folder(base, fixture, f"date={run[:4]}-{run[4:6]}-{run[6:8]}", run)
        if files.list(folder.path):
            return folder
    for date in files.list(base):
        folder = _folder(base, fixture, date, run)
        if files.list(folder.path):
            return folder
    return next((folder for folder in run_folders(files, dataset, fixture) if folder.run == run), None)


def _folder(base: str, fixture: str, date: str, run: str) -> RunFolder:
    return RunFolder(f"{base}/{date}/run={run}", fixture, date.partition("=")[2], run)


def chunks(files: ReadFiles, folder: str) -> list[tuple[str, paths.ChunkName]]:
    """Path and parsed name of every chunk in a folder, in record order; a file joined from others stands for them.

    Between the moment in which a joined file appears and that in which its parts are removed, both are there: a file whose
    records all lie in a wider one's is left out.
    """
    wide = sorted(all_chunks(files, folder), key=lambda pair: (pair[1].first, -pair[1].last))
    kept: list[tuple[str, paths.ChunkName]] = []
    for path, name in wide:
        widest = kept[-1][1] if kept else None
        if widest is None or name.last > widest.last or name[1:3] == widest[1:3]:
            kept.append((path, name))
    return kept


def all_chunks(files: ReadFiles, folder: str) -> list[tuple[str, paths.ChunkName]]:
    """As `chunks`, with the parts of joined files that are still there."""
    found = [(f"{folder}/{name}", paths.chunk_name(name)) for name in files.list(folder)]
    named = [(path, name) for path, name in found if name is not None]
    return sorted(named, key=lambda pair: pair[1].first)


def segments(files: ReadFiles, folder: str) -> list[str]:
    """Paths of the tape segments in a folder, in record order."""
    return [f"{folder}/{name}" for name in files.list(folder) if name.endswith(paths.SEGMENT_SUFFIX)]
