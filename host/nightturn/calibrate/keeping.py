"""Where calibration records are kept: one file a transducer, only ever appended to, one writer at a time."""

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

from nightturn.calibration.records import CalibrationRecord, appended, encode_line, parse
from nightturn.errors import CalibrationError, StorageError


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
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a+b") as file:
            fcntl.flock(file, fcntl.LOCK_EX)
            file.seek(0)
            text = file.read().decode("utf-8")
            records = parse(text, where=str(path))
            record = make(records)
            appended(records, record, where=str(path))
            file.write(
                ("" if not text or text.endswith("\n") else "\n").encode()
                + encode_line(record).encode("utf-8")
            )
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error
    return record


def next_id(records: tuple[CalibrationRecord, ...], transducer: str) -> str:
    """`TR-204/3`: the serial and the number of the record."""
    taken = {record.id for record in records}
    return next(
        name
        for number in range(len(records) + 1, len(records) + 1 + len(taken) + 1)
        if (name := f"{transducer}/{number}") not in taken
    )
