"""Clears what retention says: first the line in the log, then the catalogue, then the files."""

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.settings.retained import Retention
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.holdings import holdings
from nightturn.storage.joining_raw import Hours, hours_to_join, join_hours
from nightturn.storage.marks import Kind, Mark, add_marks, one_at_a_time, read_marks
from nightturn.storage.retention import Going, Step, going


@dataclass(frozen=True, slots=True)
class Cleared:
    """Files of one kind of one run that go, or have gone, for one reason."""

    fixture: str
    run: str
    kind: Kind
    files: int
    bytes: int
    why: str


@dataclass(frozen=True, slots=True)
class Tidied:
    """What goes, or has gone with `applied`; `steps` are the stretches without a record by which nothing aged, UTC ns.

    `joined` are the raw chunks that become files of an hour each, or have become them.
    """

    applied: bool
    cleared: tuple[Cleared, ...] = ()
    steps: tuple[Step, ...] = ()
    bytes: int = 0
    joined: tuple[Hours, ...] = ()


def tidy_and_join(
    root: Path,
    rule: Retention,
    now_utc_ns: int,
    by: str,
    *,
    apply: bool = False,
    clock_is_right: bool = False,
) -> Tidied:
    """As `tidy`, and raw chunks of closed hours are joined.

    Raises:
        StorageError: as `tidy`, or a joined file cannot be written; its parts stay.
        CorruptFileError: as `tidy`.
    """
    tidied = tidy(root, rule, now_utc_ns, by, apply=apply, clock_is_right=clock_is_right)
    if apply:
        hours = join_hours(root, RealFiles(root), now_utc_ns, by)
    else:
        goes = {(each.fixture, each.run) for each in tidied.cleared if each.kind == "raw"}
        hours = [each for each in hours_to_join(root) if (each.fixture, each.run) not in goes]
    return replace(tidied, joined=tuple(hours))


def tidy(
    root: Path,
    rule: Retention,
    now_utc_ns: int,
    by: str,
    *,
    apply: bool = False,
    clock_is_right: bool = False,
) -> Tidied:
    """Say what retention clears below a data root, and with `apply` clear it.

    Args:
        root: the data root.
        rule: `[retention]` of the rig file.
        now_utc_ns: the wall clock.
        by: who does it, for the log.
        apply: delete; else nothing is changed.
        clock_is_right: the person vouches for the wall clock, up to now.

    Raises:
        StorageError: a file cannot be deleted; what was recorded as cleared goes the next time.
        CorruptFileError: a manifest or the log cannot be read, so it is not known which runs are kept; nothing goes.
    """
    if not apply:
        return _tidied(root, rule, now_utc_ns, clock_is_right=clock_is_right)[0]
    with one_at_a_time(root):
        tidied, gone = _tidied(root, rule, now_utc_ns, clock_is_right=clock_is_right)
        if clock_is_right:
            said = Mark(what="clock", utc_ns=now_utc_ns, by=by, reason="the clock is right")
            add_marks(RealFiles(root), [said])
        if gone:
            _clear(root, tidied.cleared, gone, now_utc_ns, by)
    return Tidied(applied=True, cleared=tidied.cleared, steps=tidied.steps, bytes=tidied.bytes)


def _tidied(
    root: Path, rule: Retention, now_utc_ns: int, *, clock_is_right: bool
) -> tuple[Tidied, list[Going]]:
    marks = read_marks(RealFiles(root))
    right = now_utc_ns if clock_is_right else marks.clock_right_utc_ns
    gone, steps = going(holdings(root, marks), rule, now_utc_ns, right)
    sums: dict[tuple[str, str, Kind], Cleared] = {}
    for (kind, fixture, run, _, _, size, paths), why in gone:
        so_far = sums.get((fixture, run, kind), Cleared(fixture, run, kind, 0, 0, why))
        sums[fixture, run, kind] = Cleared(
            fixture, run, kind, so_far.files + len(paths), so_far.bytes + size, so_far.why
        )
    cleared = tuple(sums.values())
    return Tidied(
        applied=False, cleared=cleared, steps=tuple(steps), bytes=sum(each.bytes for each in cleared)
    ), gone


def _clear(root: Path, cleared: Sequence[Cleared], gone: Sequence[Going], now_utc_ns: int, by: str) -> None:
    files, catalogue = RealFiles(root), Catalogue(root)
    add_marks(
        files,
        [
            Mark(
                what="cleared",
                utc_ns=now_utc_ns,
                by=by,
                reason=each.why,
                fixture=each.fixture,
                run=each.run,
                kind=each.kind,
                bytes=each.bytes,
                files=each.files,
            )
            for each in cleared
        ],
    )
    paths = [path for each in gone for path in each.holding.paths]
    catalogue.forget(paths)
    for path in paths:
        try:
            files.remove(path)
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise StorageError(f"{path}: {problem}") from problem
    for folder in {(root / path).parent for path in paths if not path.startswith("journal/")}:
        with contextlib.suppress(OSError):  # something else lies in it
            folder.rmdir()
