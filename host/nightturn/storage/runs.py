"""Which runs there are below a data root, and opening one."""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.model.names import RUN_ID, fixture_id_problem
from nightturn.model.rows import CYCLES, GAPS
from nightturn.storage import paths, tree
from nightturn.storage.files import RealFiles
from nightturn.storage.reader import Run
from nightturn.storage.standing import Standing, standing


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One run in a list of runs: what it is, how it stands and how much there is of it; `gaps` counts gap rows.

    `motion` is what the shaft might do when that last changed, as `status` says it, and `motion_text` its sentence.
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


class _OnCard(msgspec.Struct):
    """What a list of runs says of the mount card; a card that lacks it is listed all the same."""

    unit: str = ""
    variant: str = ""


def open_run(root: str | Path, fixture: str | None = None, run: str = "latest") -> Run:
    """A run below a data root; the fixture may be left out when there is only one.

    Raises:
        RunNotFoundError: no such root, fixture or run; says what exists.
        StorageError: an id that is no name but a path.
    """
    place = Path(root)
    if run != "latest":
        paths.checked_run(run)
    if fixture is not None and fixture_id_problem(fixture):
        raise StorageError(fixture_id_problem(fixture))
    by_fixture = known_runs(place)
    if not by_fixture:
        raise RunNotFoundError(f"{place} holds no runs; is it the data root (`data` in bench.toml)?")
    fixture = _chosen_fixture(place, fixture, sorted(by_fixture))
    runs = by_fixture[fixture]
    if run == "latest":
        return Run(place, fixture, runs[-1])
    if run not in runs:
        shown = ", ".join(runs[-5:])
        raise RunNotFoundError(f"{fixture} has no run {run}; its newest of {len(runs)}: {shown}")
    return Run(place, fixture, run)


def list_runs(root: str | Path) -> list[RunSummary]:
    """Every run below a data root, newest first.

    Raises:
        RunNotFoundError: the root does not exist.
        CorruptFileError: a footer cannot be read.
    """
    place = Path(root)
    if not place.is_dir():
        raise RunNotFoundError(f"{place} is no folder; give the data root (`data` in bench.toml)")
    found = [
        _summary(Run(place, fixture, run)) for fixture, runs in known_runs(place).items() for run in runs
    ]
    return sorted(found, key=lambda summary: (summary.started_utc, summary.fixture), reverse=True)


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


def _chosen_fixture(root: Path, fixture: str | None, known: list[str]) -> str:
    if fixture is None and len(known) == 1:
        return known[0]
    if fixture is None:
        raise RunNotFoundError(f"{root} holds several fixtures; choose one of {', '.join(known)}")
    if fixture not in known:
        raise RunNotFoundError(f"{root} holds no runs of {fixture}; it has {', '.join(known)}")
    return fixture


def _summary(run: Run) -> RunSummary:
    manifest, raw = run.manifest, run.chunks(paths.RAW)
    started = datetime.strptime(run.run[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    card = msgspec.json.decode(manifest.card, type=_OnCard) if manifest and manifest.card else _OnCard()
    return RunSummary(
        fixture=run.fixture,
        run=run.run,
        unit=card.unit,
        variant=card.variant,
        started_utc=started,
        timezone=manifest.timezone if manifest else "UTC",
        state=standing(run.root, manifest),
        motion=manifest.motion.state if manifest and manifest.motion else "",
        motion_text=manifest.motion.text if manifest and manifest.motion else "",
        reason=manifest.reason if manifest else "",
        kept=manifest.kept if manifest else False,
        chunks=len(raw),
        samples=sum(each.rows for each in raw),
        cycles=sum(each.rows for each in run.chunks(CYCLES)),
        gaps=sum(each.rows for each in run.chunks(GAPS)),
        bytes=sum((run.root / each.path).stat().st_size for each in raw),
    )
