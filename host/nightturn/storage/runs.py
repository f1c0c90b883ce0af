"""Which runs there are below a data root, and opening one."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from nightturn.errors import NotWholeError, RunNotFoundError, StorageError
from nightturn.model.clocks import NS_PER_S
from nightturn.model.names import RUN_ID, fixture_id_problem
from nightturn.model.nights import NightVerdict
from nightturn.storage import paths, tree
from nightturn.storage.manifest import ENDED
from nightturn.storage.marks import Kind, Marks, read_marks
from nightturn.storage.reader import Run
from nightturn.storage.redating import redated_text
from nightturn.storage.standing import Standing, standing_of
from nightturn.storage.stored import Place, Stored, stored_at
from nightturn.storage.summaries import Facts, facts_of_runs


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run in a list of runs: what it is, how it stands and how much there is of it; `gaps` counts gap rows.

    `motion` is what the shaft might do when that last changed, as `status` says it, and `motion_text` its sentence.
    `cleared` is what retention has cleared of it: tape (some or all of it), raw samples, figures; counts are of what is there.
    `started_utc` is corrected by `redated_s` where a person has said that the run's clock was wrong; `redated` is the sentence to it.
    `night_verdict` is what all cycles say together, so far where the run has not ended; None when nobody has worked it out.
    `unreadable` are the files of which nothing can be said, each with why: counts are without them.
    """

    fixture: str
    run: str
    unit: str
    variant: str
    started_utc: datetime
    timezone: str
    state: Standing
    motion: str
    motion_text: str
    reason: str
    kept: bool
    chunks: int
    samples: int
    cycles: int
    gaps: int
    bytes: int
    night_verdict: NightVerdict | None = None
    cleared: tuple[Kind, ...] = ()
    unreadable: tuple[str, ...] = ()
    redated_s: float = 0.0
    redated: str = ""


def open_run(root: Place, fixture: str | None = None, run: str = "latest", *, endpoint: str = "") -> Run:
    """A run below a data root or in an object store; the fixture may be left out when there is only one.

    Args:
        root: a folder, or `s3://BUCKET/PREFIX` of `nightturn push`.
        fixture: its id.
        run: its id, or the newest; in an object store the newest that is whole.
        endpoint: of an S3 server, `http://HOST:PORT` or `https://HOST`.

    Raises:
        RunNotFoundError: no such root, fixture or run; says what exists.
        StorageError: an id that is no name but a path.
        ObjectStoreError: the store cannot be reached or refuses, or has not the whole run (NotWholeError).
    """
    place = stored_at(root, endpoint)
    if run != "latest":
        paths.checked_run(run)
    problem = fixture_id_problem(fixture) if fixture is not None else None
    if problem:
        raise StorageError(problem)
    if fixture is not None and run != "latest" and _is_there(place, fixture, run):
        return Run(place, fixture, run)
    by_fixture = known_runs(place)
    if not by_fixture:
        raise RunNotFoundError(f"{place} contains no {what_a_root_has(place)}")
    fixture = _chosen_fixture(place, fixture, sorted(by_fixture))
    runs = by_fixture[fixture]
    if run == "latest":
        return Run(place, fixture, _newest_whole(place, fixture, runs))
    if run not in runs and not _is_there(place, fixture, run):
        shown = ", ".join(runs[-5:])
        raise RunNotFoundError(f"{fixture} has no run {run}; its newest of {len(runs)}: {shown}")
    place.check_whole(fixture, run)
    return Run(place, fixture, run)


def list_runs(root: Place, unit: str | None = None, *, endpoint: str = "") -> list[RunSummary]:
    """Every run below a data root or in an object store, newest first, or those of one unit by its serial.

    Runs that have ended are answered from the catalogue while their files look as they did; a root that is not the
    caller's own is only read. In an object store manifests and footers are read; a run that is not whole there is `unknown`, with
    its sentence in `unreadable`, and nothing of it is counted.

    Args:
        root: as `open_run`.
        unit: a serial.
        endpoint: as `open_run`.

    Raises:
        RunNotFoundError: the root does not exist.
        CorruptFileError: the log of retention cannot be read.
        ObjectStoreError: the store cannot be reached, or refuses.
    """
    place = stored_at(root, endpoint)
    if place.local is not None and not place.local.is_dir():
        raise RunNotFoundError(f"{place} is not a folder; give the data root (`data` in bench.toml)")
    marks = read_marks(place)
    found = [_summary(place, *key, facts, marks) for key, facts in facts_of_runs(place, unit).items()]
    return sorted(found, key=lambda summary: (summary.started_utc, summary.fixture), reverse=True)


def found_runs(root: Place, run: str, fixture: str = "") -> list[RunSummary]:
    """The run of this id, or with `latest` the newest, in an object store the newest that is whole; several only if fixtures share an id.

    With a fixture that has runs `latest` is its newest.

    Raises:
        RunNotFoundError: no such run; says which are the newest.
        StorageError: an id that is no name but a path.
        CorruptFileError: the log of retention cannot be read.
        ObjectStoreError: the store cannot be reached or refuses, or has not the whole run (NotWholeError).
    """
    place = stored_at(root)
    known = list_runs(place)
    if run == "latest" and known:
        whole = known if place.local is not None else [each for each in known if each.state == ENDED]
        newest_first = whole or known
        found = ([each for each in newest_first if each.fixture == fixture] or newest_first)[:1]
    else:
        paths.checked_run(run)
        found = [each for each in known if each.run == run]
    if not found:
        newest = ", ".join(each.run for each in known[:5]) or "none"
        raise RunNotFoundError(f"{root} has no run {run}; its newest of {len(known)}: {newest}")
    for each in found:
        place.check_whole(each.fixture, each.run)
    return found


def known_runs(root: Place) -> dict[str, list[str]]:
    """Run ids by fixture, oldest first: every run with a manifest or with samples; in an object store those with a manifest."""
    files = stored_at(root)
    found: dict[str, set[str]] = {}
    for fixture in files.list("runs"):
        names = [name.removesuffix(".json") for name in files.list(f"runs/{fixture}")]
        found.setdefault(fixture, set()).update(name for name in names if RUN_ID.fullmatch(name))
    for fixture in tree.fixtures(files) if files.local is not None else ():
        found.setdefault(fixture, set()).update(
            folder.run for folder in tree.run_folders(files, paths.RAW, fixture)
        )
    return {fixture: sorted(runs) for fixture, runs in sorted(found.items()) if runs}


def _newest_whole(place: Stored, fixture: str, runs: Sequence[str]) -> str:
    """The newest run, in an object store the newest that is whole.

    Raises:
        NotWholeError: none is.
    """
    for run in runs[:0:-1]:
        with suppress(NotWholeError):
            place.check_whole(fixture, run)
            return run
    place.check_whole(fixture, runs[0])
    return runs[0]


def what_a_root_has(place: Stored) -> str:
    """What a place without any run lacks, and what to ask."""
    if place.local is None:
        return "run that is whole; was something pushed there, and to its end?"
    return "runs; is it the data root (`data` in bench.toml)?"


def _is_there(place: Stored, fixture: str, run: str) -> bool:
    """Whether a run has a manifest or samples; of no other run a name is read.

    Raises:
        NotWholeError: in an object store it has only samples.
    """
    try:
        place.size(paths.manifest_path(fixture, run))
    except FileNotFoundError:
        if tree.run_folder(place, paths.RAW, fixture, run) is None:
            return False
    place.check_whole(fixture, run)
    return True


def _chosen_fixture(root: Stored, fixture: str | None, known: list[str]) -> str:
    if fixture is None and len(known) == 1:
        return known[0]
    if fixture is None:
        raise RunNotFoundError(
            f"{root} contains several fixtures; choose one with --fixture {', '.join(known)}"
        )
    if fixture not in known:
        raise RunNotFoundError(f"{root} contains no runs of {fixture}; it has {', '.join(known)}")
    return fixture


def _standing(place: Stored, fixture: str, run: str, state: str) -> Standing:
    """In an object store nobody records, and only what has ended is pushed."""
    if place.local is not None:
        return standing_of(place.local, fixture, run, state)
    return "ended" if state == ENDED else "unknown"


def _cleared(place: Stored, fixture: str, run: str, facts: Facts, marks: Marks) -> tuple[Kind, ...]:
    """What was cleared of a run; an object store keeps what was pushed before."""
    there: dict[Kind, int] = {} if place.local is not None else {"raw": facts.chunks, "figures": facts.cycles}
    return tuple(kind for kind in marks.cleared(fixture, run) if not there.get(kind))


def _summary(place: Stored, fixture: str, run: str, facts: Facts, marks: Marks) -> RunSummary:
    damage = marks.damage(fixture, run)
    mark = None if damage else marks.redated(fixture, run)
    by_s = mark.by_ns / NS_PER_S if mark is not None else 0.0
    unread = f"its times may be corrected: {paths.marks_path(fixture, run)}: {damage}" if damage else ""
    started = datetime.strptime(run[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    return RunSummary(
        fixture=fixture,
        run=run,
        unit=facts.unit,
        variant=facts.variant,
        started_utc=started + timedelta(seconds=by_s),
        timezone=facts.timezone,
        state=_standing(place, fixture, run, facts.state),
        motion=facts.motion,
        motion_text=facts.motion_text,
        reason=facts.reason,
        kept=marks.kept(fixture, run, otherwise=facts.kept),
        cleared=_cleared(place, fixture, run, facts, marks),
        chunks=facts.chunks,
        samples=facts.samples,
        cycles=facts.cycles,
        gaps=facts.gaps,
        bytes=facts.bytes,
        night_verdict=facts.night_verdict,
        unreadable=facts.unreadable,
        redated_s=by_s,
        redated=redated_text(mark) if mark is not None else unread,
    )
