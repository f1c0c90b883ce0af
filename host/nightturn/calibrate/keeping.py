"""Where calibration records, rig records and reference checks are kept: files that are only ever appended to, one writer at a time."""

import fcntl
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

from nightturn.calibration.append_only import Dated
from nightturn.calibration.records import CalibrationRecord, appended, encode_line, parse
from nightturn.errors import CalibrationError, StorageError

T = TypeVar("T")


def records_file(root: Path, transducer: str) -> Path:
    """The file of a transducer below a data root.

    Raises:
        CalibrationError: a serial that is no name of a file.
    """
    if not transducer or "/" in transducer or transducer.startswith("."):
        raise CalibrationError(
            f"transducer {transducer!r}: give its serial, without slashes and no point in front"
        )
    return root / "calibrations" / f"{transducer}.jsonl"


def keep(
    root: Path, transducer: str, make: Callable[[tuple[CalibrationRecord, ...]], CalibrationRecord]
) -> CalibrationRecord:
    """Append the record that is made of those that are there; it is on the disk when this returns, or nothing is.

    Raises:
        CalibrationError: it does not fit behind the others.
        StorageError: the file cannot be written.
    """
    path = records_file(root, transducer)

    def next_record(text: str) -> tuple[CalibrationRecord, str]:
        records = parse(text, where=str(path))
        record = make(records)
        appended(records, record, where=str(path))
        return record, encode_line(record)

    return appended_to(path, next_record)


def appended_to(path: Path, next_line: Callable[[str], tuple[T, str]]) -> T:
    """Append the line that is made of a file's text, and give what it says; it is on the disk when this returns, or nothing is.

    Raises:
        StorageError: the file cannot be written; and whatever `next_line` raises.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            file.seek(0)
            text = file.read().decode("utf-8")
            said, line = next_line(text)
            file.write(("" if not text or text.endswith("\n") else "\n").encode() + line.encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error
    return said


def next_id(records: Sequence[Dated], owner: str) -> str:
    """`TR-204/3`: the serial or fixture, and the number of the record."""
    taken = {record.id for record in records}
    return next(
        name
        for number in range(len(records) + 1, len(records) + 1 + len(taken) + 1)
        if (name := f"{owner}/{number}") not in taken
    )
