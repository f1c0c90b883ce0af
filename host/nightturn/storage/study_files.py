"""The study records below a data root: `studies/<variant>.jsonl`, only added to."""

from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from nightturn.calibration.study_records import (
    FOLDER,
    StudyRecord,
    appended_study,
    file_of,
    parse_study_records,
    study_line,
)
from nightturn.errors import CalibrationError
from nightturn.storage.appending import append_lines
from nightturn.storage.files import RealFiles
from nightturn.storage.marks import one_at_a_time
from nightturn.world import ReadFiles


def read_studies(files: ReadFiles, variant: str) -> tuple[StudyRecord, ...]:
    """The studies of a variant, oldest first; none where there is no file. A torn last line was never in force.

    Raises:
        CalibrationError: a line cannot be read or fails its checksum.
    """
    path = file_of(variant)
    try:
        content = files.read(path)
    except FileNotFoundError:
        return ()
    try:
        text = content[: content.rfind(b"\n") + 1].decode()
    except UnicodeDecodeError as problem:
        raise CalibrationError(f"{path}: {problem}; restore the file from a copy") from problem
    return parse_study_records(text, where=path)


def keep_study(
    root: Path, variant: str, make: Callable[[tuple[StudyRecord, ...]], StudyRecord]
) -> StudyRecord:
    """Append the record that is made of those that are there; it is on the disk when this returns.

    Raises:
        CalibrationError: it does not fit behind the others.
        StorageError: it may not be on the disk.
    """
    files = RealFiles(root)
    with one_at_a_time(root, FOLDER), closing(files):
        records = read_studies(files, variant)
        record = make(records)
        appended_study(records, record, file_of(variant))
        append_lines(files, file_of(variant), study_line(record))
    return record
