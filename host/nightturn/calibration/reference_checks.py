"""Reference checks: what a fixture said of something known, append-only, one file a fixture."""

from datetime import datetime
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from nightturn.calibration.append_only import one_more, read_records
from nightturn.model.lines import with_checksum

FOLDER = "refchecks"
LEVER: Literal["lever"] = "lever"


class ReferenceCheck(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of `refchecks/<fixture>.jsonl`.

    Attributes:
        id: names the check for ever.
        how: `lever`, a known mass on a lever that was turned once.
        transducer: its serial. calibration: the id of the record by which torque was read.
        by: who did it. valid_from: when; UTC.
        passed: whether all that it looks at was found as it has to be.
        said: what was found, a sentence each.
        supersedes: the check before.
    """

    id: Annotated[str, Meta(min_length=1, max_length=64)]
    fixture: Annotated[str, Meta(min_length=1)]
    how: Literal["lever"] = LEVER
    transducer: str
    calibration: str
    by: Annotated[str, Meta(min_length=1)]
    valid_from: Annotated[datetime, Meta(tz=True)]
    passed: bool
    said: tuple[str, ...] = ()
    supersedes: str | None = None


def checks_of(fixture: str) -> str:
    """The file of a fixture's reference checks, below the data root."""
    return f"{FOLDER}/{fixture}.jsonl"


def parse_checks(text: str, *, where: str) -> tuple[ReferenceCheck, ...]:
    """The checks of one file, in order, with the append rules checked.

    Raises:
        CalibrationError: names file, line, what is wrong and what to do.
    """
    return read_records(
        text, ReferenceCheck, lambda checks, new, place: check_appended(checks, new, where=place), where=where
    )


def check_appended(
    checks: tuple[ReferenceCheck, ...], new: ReferenceCheck, *, where: str
) -> tuple[ReferenceCheck, ...]:
    """The checks with one more.

    Raises:
        CalibrationError: the rule of the file that it breaks.
    """
    return one_more(checks, new, "fixture", named=f"{where}: reference check")


def check_line(check: ReferenceCheck) -> str:
    """The check as its line in the file, with the checksum of its text, newline included."""
    return with_checksum(msgspec.json.encode(check)).decode() + "\n"
