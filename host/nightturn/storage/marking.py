"""What a person says of a run: that it is kept, or released, or that its clock was wrong."""

from pathlib import Path

import msgspec

from nightturn.errors import RunNotFoundError
from nightturn.model.clocks import NS_PER_S
from nightturn.storage.files import RealFiles
from nightturn.storage.marks import Mark, add_marks, one_at_a_time
from nightturn.storage.runs import known_runs

SECONDS_MAX = 100 * 366 * 86_400.0  # a century


def keep(root: Path, run: str, now_utc_ns: int, by: str, reason: str, *, release: bool = False) -> list[Mark]:
    """Exempt a run from retention, or stop doing so; one line for each fixture that has a run of this id.

    Raises:
        RunNotFoundError: there is no such run.
        StorageError: the line may not be on the disk.
    """
    return mark_run(
        root, Mark(what="released" if release else "kept", utc_ns=now_utc_ns, by=by, reason=reason, run=run)
    )


def mark_run(root: Path, mark: Mark) -> list[Mark]:
    """Record what a person says of a run, for each fixture that has one of this id.

    Raises:
        RunNotFoundError: there is no such run.
        StorageError: the line may not be on the disk.
    """
    with one_at_a_time(root):  # a run that a clearing is about to take is not called kept
        found = [fixture for fixture, runs in known_runs(root).items() if mark.run in runs]
        if not found:
            raise RunNotFoundError(f"{root} has no run {mark.run}; `nightturn runs` lists them")
        marks = [msgspec.structs.replace(mark, fixture=fixture) for fixture in found]
        add_marks(RealFiles(root), marks)
    return marks


def redate(root: Path, run: str, now_utc_ns: int, by: str, reason: str, seconds: float) -> list[Mark]:
    """Record what is to be added to a run's times, in place of what was said before; one line for each fixture that has a run of this id.

    Args:
        root: the data root.
        run: its id, which stays: it is a name.
        now_utc_ns: the wall clock.
        by: the operator.
        reason: why, a sentence.
        seconds: to be added to every recorded time; 0 lets them stand. At most `SECONDS_MAX` either way.

    Raises:
        RunNotFoundError: there is no such run.
        StorageError: the line may not be on the disk.
    """
    mark = Mark(
        what="redated", utc_ns=now_utc_ns, by=by, reason=reason, run=run, by_ns=round(seconds * NS_PER_S)
    )
    return mark_run(root, mark)
