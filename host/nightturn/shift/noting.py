"""A line for the logbook: what a person gives, what it is of, and what was predicted before anybody had looked."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from nightturn.errors import ConfigError, NightturnError
from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED
from nightturn.logbook.entries import (
    CAUSES,
    NAME_MAX,
    NOTHING,
    PHOTOS_MAX,
    TEXT_MAX,
    Entry,
    Kind,
    Predicted,
    name_problem,
    text_problem,
)
from nightturn.settings.mistakes import did_you_mean
from nightturn.shift.meant import Asked, Meant, meant_by
from nightturn.storage.logbook import add_entry
from nightturn.storage.photos import Stripped, stripped
from nightturn.unit_history.account import Account, account_of


class Wanted(msgspec.Struct, frozen=True, kw_only=True):
    """A line as it is asked for.

    Attributes:
        text, by: what, and by whom. asked: what it is of.
        finding, intervention: a cause, where it is one of these.
        photos: files to be added.
        open: somebody is to answer. close: the number of the line that this one answers or withdraws.
    """

    text: str
    by: str
    asked: Asked = Asked()
    finding: str = ""
    intervention: str = ""
    photos: tuple[Path, ...] = ()
    open: bool = False
    close: int | None = None


def noted(root: Path, wanted: Wanted, now_ns: int) -> Entry:
    """Write a line of the logbook.

    A finding or an intervention keeps what the unit's nights up to the run it is of were consistent with: by that it counts later, whatever is
    learned afterwards. Nothing turns or stops because of a line.

    Raises:
        ConfigError: what does not go together, no such cause or line, or a photo that cannot be taken.
        RunNotFoundError: no such run, unit or fixture.
        StorageError: the line may not be on the disk.
    """
    kind, cause = _kind(wanted)
    _check_texts(wanted)
    meant = meant_by(root, wanted.asked, now_ns)
    if cause and not meant.unit:
        raise ConfigError(
            "is of a unit",
            where=f"--{kind}",
            allowed="with --unit SERIAL, or a run or fixture that has a unit",
        )
    photos = [_photo(path) for path in wanted.photos]
    predicted, unpredicted = predictions(root, meant) if cause else (None, "")
    entry = Entry(
        number=0,
        kind=kind,
        utc_ns=now_ns,
        by=wanted.by.strip(),
        text=wanted.text.strip(),
        unit=meant.unit,
        fixture=meant.fixture,
        run=meant.run,
        at_ts=meant.at_ts,
        cycle_no=meant.cycle_no,
        angle_deg=meant.angle_deg,
        cause=cause,
        predicted=predicted,
        unpredicted=unpredicted,
        open=wanted.open,
        closes=wanted.close,
    )
    return add_entry(root, entry, photos)


def _kind(wanted: Wanted) -> tuple[Kind, str]:
    given = [name for name in ("finding", "intervention") if getattr(wanted, name)]
    given += ["close"] if wanted.close is not None else []
    if len(given) > 1 or (wanted.open and wanted.close is not None):
        names = ", ".join(f"--{name}" for name in (*given, *(["open"] if wanted.open else [])))
        raise ConfigError("are given together", where=names, allowed="one of them")
    if wanted.close is not None:
        return "closed", ""
    cause = wanted.finding or wanted.intervention
    if not cause:
        return "note", ""
    allowed = [each for each in CAUSES if wanted.finding or each != NOTHING]
    if cause not in allowed:
        near = did_you_mean(cause, allowed)
        raise ConfigError(f"no cause {cause!r}{near}", where=f"--{given[0]}", allowed=", ".join(allowed))
    return ("finding" if wanted.finding else "intervention"), cause


def _check_texts(wanted: Wanted) -> None:
    if problem := name_problem(wanted.by):
        raise ConfigError(problem, where="--operator", allowed=f"a name of up to {NAME_MAX} letters")
    if problem := text_problem(wanted.text, TEXT_MAX):
        raise ConfigError(problem, where="TEXT", allowed=f"up to {TEXT_MAX} letters")
    if not wanted.text.strip() and not wanted.photos and wanted.finding != NOTHING:
        raise ConfigError("is empty", where="TEXT", allowed="words, or a --photo")
    if len(wanted.photos) > PHOTOS_MAX:
        raise ConfigError(
            f"{len(wanted.photos)} photos", where="--photo", allowed=f"up to {PHOTOS_MAX} a line"
        )


def _photo(path: Path) -> Stripped:
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise ConfigError(
            f"{path}: {problem}", where="--photo", allowed="a file that can be read"
        ) from problem
    return stripped(content, path.name)


def predictions(root: Path, meant: Meant) -> tuple[tuple[Predicted, ...] | None, str]:
    """What the nights of a unit up to its run are consistent with; None with the reason where that cannot be worked out."""
    try:
        found = account_of(root, meant.unit, until=meant.run)
    except NightturnError as problem:
        return None, str(problem)
    if not found.asked and not any(line.judged for line in found.courses):
        return None, "too few cycles of the unit to look for a change"
    return _predicted(found), ""


def _predicted(found: Account) -> tuple[Predicted, ...]:
    lines: Sequence[Predicted] = [
        Predicted(cause=cause, figure=line.figure, direction=line.direction, changed_ts=line.changed_ts)
        for line in found.asked
        for cause in line.names
        if cause not in {NOTHING_FITS, NOTHING_MOVED}
    ]
    return tuple(lines)
