"""Study records: what mounting a unit again, or measuring it on another rig, adds to the mean of a night; append-only, one file per variant.

They are of the same kind as rig records: measured here, kept for ever, named as the source of what rests on them. The conditions are those of
ISO 5725-1 (from memory): the same rig and operator with a new mounting, and everything but the unit another.
"""

import math
from datetime import datetime
from typing import Annotated

import msgspec
from msgspec import Meta

from nightturn.calibration.append_only import one_more, read_records
from nightturn.model.lines import with_checksum
from nightturn.model.quantities import number, typed

FOLDER = "studies"
Named = Annotated[str, Meta(min_length=1)]
ELSEWHERE_MIN = 2
"""Rigs that a study needs to say what another rig does."""


class Spread(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Standard deviation of a night's mean, in the figure's unit, and its degrees of freedom."""

    sd: Annotated[float, Meta(gt=0)]
    nu: Annotated[float, Meta(gt=0)]


class StudiedFigure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One figure of a study.

    Attributes:
        figure, method: which, and the version of the method that made it.
        remounting: by mounting alone, night to night included; None where none was seen or mountings were not repeated.
        elsewhere: by everything but the unit: rig, operator and mounting; None with one rig.
    """

    figure: Named
    method: int
    remounting: Spread | None = None
    elsewhere: Spread | None = None


class StudyRecord(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of `studies/<variant>.jsonl`.

    Attributes:
        id: names the record for ever; it is the source of every line that rests on it.
        plan: speeds and torque at which it was measured, in words; it says nothing of others.
        rigs, operators, units: between which it was made. rounds: mountings of each kind. runs: all that it rests on.
        kept_by: who says that it holds. valid_from: from when; UTC. supersedes: id of the record that it replaces.
    """

    id: Annotated[str, Meta(min_length=1, max_length=64)]
    variant: Named
    plan: Named
    rigs: Annotated[tuple[Named, ...], Meta(min_length=1)]
    operators: Annotated[tuple[Named, ...], Meta(min_length=1)]
    units: Annotated[tuple[Named, ...], Meta(min_length=1)]
    rounds: Annotated[int, Meta(ge=1)]
    runs: Annotated[tuple[Named, ...], Meta(min_length=2)]
    figures: Annotated[tuple[StudiedFigure, ...], Meta(min_length=1)]
    kept_by: Named
    valid_from: Annotated[datetime, Meta(tz=True)]
    supersedes: str | None = None

    @property
    def source(self) -> str:
        """By what a person finds where the numbers come from."""
        return f"study {self.id} of {self.valid_from.date().isoformat()}"

    def figure(self, name: str, method: int | None, plan: str) -> StudiedFigure | None:
        """What it says of a figure that was made by this method at these speeds; None where it says nothing."""
        if plan != self.plan:
            return None
        return next((each for each in self.figures if (each.figure, each.method) == (name, method)), None)


def file_of(variant: str) -> str:
    """The file of a variant's studies, below the data root."""
    return f"{FOLDER}/{variant}.jsonl"


def parse_study_records(text: str, *, where: str) -> tuple[StudyRecord, ...]:
    """The records of one file, in order, with the append rules checked.

    Args:
        text: JSON, one record a line; blank lines are skipped.
        where: the file, for messages.

    Raises:
        CalibrationError: names file, line, what is wrong and how to correct it.
    """
    return read_records(text, StudyRecord, appended_study, where=where)


def appended_study(records: tuple[StudyRecord, ...], new: StudyRecord, where: str) -> tuple[StudyRecord, ...]:
    """The records with one more.

    Raises:
        CalibrationError: it contradicts itself or does not fit behind the others.
    """
    return one_more(records, new, "variant", named=f"{where}: study", contradiction=_contradiction(new))


def study_line(record: StudyRecord) -> bytes:
    """The record as its line in the file, with the checksum of its text, newline included."""
    return with_checksum(msgspec.json.encode(record)) + b"\n"


def _contradiction(record: StudyRecord) -> str | None:
    """What is wrong with a record on its own and how to correct it, or None."""
    names = [each.figure for each in record.figures]
    if len(set(names)) < len(names):
        return "gives a figure twice; give each once"
    for each in record.figures:
        if each.elsewhere is not None and len(record.rigs) < ELSEWHERE_MIN:
            return (
                f"gives {each.figure}.elsewhere with one rig; leave it out, one rig says nothing of another"
            )
        for name, spread in (("remounting", each.remounting), ("elsewhere", each.elsewhere)):
            if spread is not None and not (math.isfinite(spread.sd) and math.isfinite(spread.nu)):
                return f"gives {each.figure}.{name} = {typed(spread.sd)} with {number(spread.nu)} degrees of freedom; write finite numbers"
        if (
            each.remounting is not None
            and each.elsewhere is not None
            and each.elsewhere.sd < each.remounting.sd
        ):
            return (
                f"gives {each.figure}.elsewhere below its remounting, which is in it; correct one of the two"
            )
    return None
