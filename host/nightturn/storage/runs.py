"""Which runs there are below a data root, and opening one."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.model.clocks import NS_PER_S
from nightturn.model.names import RUN_ID, fixture_id_problem
from nightturn.model.nights import NightVerdict
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.marks import Kind, Marks, read_marks
from nightturn.storage.reader import Run
from nightturn.storage.redating import redated_text
from nightturn.storage.standing import Standing, standing_of
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


def open_run(root: str | Path, fixture: str | None = None, run: str = "latest") -> Run:
    """A run below a data root; the fixture may be left out when there is only one.

    Raises:
        RunNotFoundError: no such root, fixture or run; says what exists.
        StorageError: an id that is no name but a path.
    """
    place = Path(root)
    if run != "latest":
        paths.checked_run(run)
    problem = fixture_id_problem(fixture) if fixture is not None else None
    if problem:
        raise StorageError(problem)
    if fixture is not None and run != "latest" and _is_there(place, fixture, run):
        return Run(place, fixture, run)
    by_fixture = known_runs(place)
    if not by_fixture:
        raise RunNotFoundError(f"{place} contains no runs; is it the data root (`data` in bench.toml)?")
    fixture = _chosen_fixture(place, fixture, sorted(by_fixture))
    runs = by_fixture[fixture]
    if run == "latest":
        return Run(place, fixture, runs[-1])
    if run not in runs:
        shown = ", ".join(runs[-5:])
        raise RunNotFoundError(f"{fixture} has no run {run}; its newest of {len(runs)}: {shown}")
    return Run(place, fixture, run)


def list_runs(root: str | Path, unit: str | None = None) -> list[RunSummary]:
    """Every run below a data root, newest first, or those of one unit by its serial.

    Runs that have ended are answered from the catalogue while their files look as they did; a root that is not the
    caller's own is only read.

    Raises:
        RunNotFoundError: the root does not exist.
        CorruptFileError: the log of retention cannot be read.
    """
    place = Path(root)
    if not place.is_dir():
        raise RunNotFoundError(f"{place} is not a folder; give the data root (`data` in bench.toml)")
    marks = read_marks(RealFiles(place))
    found = [_summary(place, *key, facts, marks) for key, facts in facts_of_runs(place, unit).items()]
    return sorted(found, key=lambda summary: (summary.started_utc, summary.fixture), reverse=True)


def found_runs(root: str | Path, run: str) -> list[RunSummary]:
    """The run of this id, or with `latest` the newest; several only if fixtures share an id.

    Raises:
        RunNotFoundError: no such run; says which are the newest.
        StorageError: an id that is no name but a path.
        CorruptFileError: the log of retention cannot be read.
    """
    known = list_runs(root)
    if run == "latest" and known:
        return known[:1]
    paths.checked_run(run)
    found = [each for each in known if each.run == run]
    if not found:
        newest = ", ".join(each.run for each in known[:5]) or "none"
        raise RunNotFoundError(f"{root} has no run {run}; its newest of {len(known)}: {newest}")
    return found


def known_runs(root: Path) -> dict[str, list[str]]:
    """Run ids by fixture, oldest first: every run with a manifest or with samples."""
    files = RealFiles(root)
    found: dict[str, set[str]] = {}
    for fixture in files.list("runs"):
        names = [name.removesuffix(".json") for name in files.list(f"runs/{fixture}")]
        found.setdefault(fixture, set()).update(name for name in names if RUN_ID.fullmatch(name))
    for fixture in tree.fixtures(files):
        found.setdefault(fixture, set()).update(
            folder.run for folder in tree.run_folders(files, paths.RAW, fixture)
        )
    return {fixture: sorted(runs) for fixture, runs in sorted(found.items()) if runs}


def _is_there(root: Path, fixture: str, run: str) -> bool:
    """Whether a run has a manifest or samples; of no other run a name is read."""
    files = RealFiles(root)
    manifest = files.look(paths.manifest_path(fixture, run))
    return manifest is not None or tree.run_folder(files, paths.RAW, fixture, run) is not None


def _chosen_fixture(root: Path, fixture: str | None, known: list[str]) -> str:
    if fixture is None and len(known) == 1:
        return known[0]
    if fixture is None:
        raise RunNotFoundError(
            f"{root} contains several fixtures; choose one with --fixture {', '.join(known)}"
        )
    if fixture not in known:
        raise RunNotFoundError(f"{root} contains no runs of {fixture}; it has {', '.join(known)}")
    return fixture


def _summary(root: Path, fixture: str, run: str, facts: Facts, marks: Marks) -> RunSummary:
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
        state=standing_of(root, fixture, run, facts.state),
        motion=facts.motion,
        motion_text=facts.motion_text,
        reason=facts.reason,
        kept=marks.kept(fixture, run, otherwise=facts.kept),
        cleared=tuple(marks.cleared(fixture, run)),
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
