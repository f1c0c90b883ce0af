"""Reports as files: each written whole beside where it goes, then renamed, so that nobody opens a half."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from nightturn.errors import StorageError
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.report.chosen import accepted_before, beside
from nightturn.report.document import document, file_name, pdf
from nightturn.report.night import night_of
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary


class WrittenReport(msgspec.Struct, frozen=True):
    """One report: of which run and unit, its gravity and first sentence, where it lies, the word of its verdict; `pdf` is empty where none was asked for."""

    fixture: str
    run: str
    unit: str
    severity: str
    sentence: str
    path: str
    verdict: str
    pdf: str = ""


def write_reports(
    runs: Sequence[RunSummary],
    wanted: Sequence[RunSummary],
    root: str | Path,
    folder: Path,
    *,
    method: str = "",
    with_pdf: bool = False,
) -> Iterator[WrittenReport]:
    """Write a report of each wanted run into a folder, which is made.

    Args:
        runs: all that there are, to see what ran beside.
        wanted: the runs.
        root: the data root.
        folder: for the files.
        method: as `night_of`.
        with_pdf: a PDF beside each, when that is written already.

    Raises:
        ConfigError: what makes pages or a PDF is not installed.
        RunNotFoundError: a run has no record of what it is.
        StorageError: the folder cannot be written, or there is no result of that method.
    """
    for each in wanted:
        night = night_of(Run(root, each.fixture, each.run), each, method)
        found = document(night, beside(runs, each), accepted_before(runs, each))
        path = folder / file_name(night)
        write_whole(path, found.html.encode())
        printed = path.with_suffix(".pdf") if with_pdf else None
        if printed is not None:
            write_whole(printed, pdf(found))
        word = night.verdict.word if night.verdict is not None else NOT_JUDGED
        yield WrittenReport(
            each.fixture,
            each.run,
            night.unit,
            found.first.severity.word,
            found.first.sentence,
            str(path),
            word,
            str(printed or ""),
        )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside where it goes and rename it.

    Raises:
        StorageError: it cannot be written.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.write_bytes(content)
        temporary.replace(path)
    except OSError as problem:
        raise StorageError(
            f"{path} cannot be written: {problem}; choose another place with --out"
        ) from problem
