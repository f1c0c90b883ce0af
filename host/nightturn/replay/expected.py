"""What a replay of a committed tape must give: the expectation that lies beside it."""

from pathlib import Path

import msgspec

from nightturn.errors import CorruptFileError, StorageError
from nightturn.estimation.fingerprint import fingerprint
from nightturn.replay.full import Replayed, Rows
from nightturn.storage.paths import SEGMENT_SUFFIX

SUFFIX = ".expected.json"


class Expected(msgspec.Struct, frozen=True, kw_only=True):
    """The stored outcome of a tape and the command that made the tape."""

    made_by: str
    fingerprint: str
    records: int
    effects: int
    effects_crc: int
    samples: int
    rows: Rows


def expected_path(tape: Path) -> Path:
    """Where the expectation of a tape lies: beside the file, or beside the folder of its segments."""
    return tape.with_name(tape.name.removesuffix(SEGMENT_SUFFIX) + SUFFIX)


def read_expected(tape: Path) -> Expected | None:
    """The expectation beside a tape, or None.

    Raises:
        CorruptFileError: it cannot be parsed.
        StorageError: it cannot be read.
    """
    path = expected_path(tape)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Expected)
    except FileNotFoundError:
        return None
    except msgspec.DecodeError as error:
        raise CorruptFileError(str(path), f"not an expectation: {error}") from error
    except OSError as error:
        raise StorageError(f"{path}: cannot be read: {error.strerror}") from error


def write_expected(tape: Path, seen: Replayed, made_by: str) -> Path:
    """Store what a replay gave as the expectation.

    Raises:
        StorageError: it cannot be written.
    """
    expected = Expected(
        made_by=made_by,
        fingerprint=fingerprint(),
        records=seen.records,
        effects=seen.effects,
        effects_crc=seen.effects_crc,
        samples=seen.samples,
        rows=_without_curves(seen.rows),
    )
    path = expected_path(tape)
    try:
        path.write_bytes(msgspec.json.format(msgspec.json.encode(expected), indent=1) + b"\n")
    except OSError as error:
        raise StorageError(f"{path}: cannot be written: {error.strerror}") from error
    return path


def _without_curves(rows: Rows) -> Rows:
    """The tape itself has them, and replay compares them with what the sums give."""
    replace = msgspec.structs.replace
    return replace(rows, cycles=[replace(cycle, curves=()) for cycle in rows.cycles])
