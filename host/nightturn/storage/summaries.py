"""What a list of runs says of each, answered from the catalogue as long as the files look as they did then.

Nothing of a finished run is opened for it: names, sizes and times of its manifest and folders are compared. A file's name
carries the checksum of its content, so the same names are the same rows. What is not entered, has changed, or changed so
lately that a second change might look the same is worked out from the files. Whether a run is being recorded is always
asked of its lock and tape, never kept.
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import msgspec
import structlog

from nightturn.errors import CorruptFileError, NotWholeError, RunNotFoundError, StorageError
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import CYCLES, GAPS
from nightturn.storage import paths, tree
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.entries import SummaryEntry, UnitEntry
from nightturn.storage.files import Look, RealFiles
from nightturn.storage.manifest import Manifest, read_manifest
from nightturn.storage.reader import Run
from nightturn.storage.stored import Stored

SETTLED_NS = 2_000_000_000
"""A file system stamps changes by a clock of some milliseconds: what is older than this would show a further change."""
COUNTED = (paths.RAW, CYCLES, GAPS)

Stamps = dict[tuple[str, str], list[tuple[str, Look]]]
UNIT_UNKNOWN = "?"
"""Stands for the unit of a run whose manifest cannot be read; no serial number looks like it."""

log: structlog.stdlib.BoundLogger = structlog.get_logger()


class Facts(msgspec.Struct, frozen=True):
    """What files say of a run; `state` is the manifest's, empty without one.

    `unreadable` are the files that nothing can be said of, each with why; they count nothing.
    """

    unit: str
    variant: str
    timezone: str
    state: str
    motion: str
    motion_text: str
    reason: str
    kept: bool
    chunks: int
    samples: int
    cycles: int
    gaps: int
    bytes: int
    night_verdict: NightVerdict | None
    unreadable: tuple[str, ...] = ()


_NOTHING = Facts(
    unit="", variant="", timezone="UTC", state="", motion="", motion_text="", reason="", kept=False,
    chunks=0, samples=0, cycles=0, gaps=0, bytes=0, night_verdict=None,
)  # fmt: skip
"""Of a run of which an object store has only a part."""


class _OnCard(msgspec.Struct):
    """What a list of runs says of the mount card; a card that lacks it is listed all the same."""

    unit: str = ""
    variant: str = ""


def facts_of_runs(stored: Stored, unit: str | None = None) -> dict[tuple[str, str], Facts]:
    """What is to be said of every run of a place, by fixture and run, or of the runs of one unit.

    A run whose manifest cannot be read is of an unknown unit, and so in the answer for every unit.
    """
    return _facts_in_store(stored, unit) if stored.local is None else _facts_on_disk(stored.local, unit)


def _facts_on_disk(root: Path, unit: str | None) -> dict[tuple[str, str], Facts]:
    files = RealFiles(root)
    catalogue = _catalogue(root) if files.list("runs") or tree.fixtures(files) else None
    wanted = (unit, UNIT_UNKNOWN) if unit is not None else ()
    if unit is None:
        stamps = stamps_of(files)
    else:
        known = _units_of_runs(files, catalogue)
        looked = {key: _stamps_of_run(files, *key) for key, each in known.items() if each in wanted}
        stamps = {key: looks for key, looks in looked.items() if looks}  # else it went meanwhile
    entered = _entered(catalogue, wanted)
    found: dict[tuple[str, str], Facts] = {}
    fresh: list[SummaryEntry] = []
    for key, looks in stamps.items():
        stamp, entry = _text(looks), entered.get(key)
        if entry is None or entry.stamp != stamp:
            entry = _worked_out(files, key, stamp, catalogue)
            if _settled(looks):
                fresh.append(entry)
        found[key] = msgspec.json.decode(entry.summary, type=Facts)
    _enter(catalogue, fresh, [_unit_entry(each, stamps[each.fixture, each.run]) for each in fresh])
    return found


def _facts_in_store(stored: Stored, unit: str | None) -> dict[tuple[str, str], Facts]:
    """The same of an object store, from manifests and footers; of a run that is not whole there nothing is counted."""
    found: dict[tuple[str, str], Facts] = {}
    for key in _runs_in_store(stored, halves=unit is None):
        try:
            stored.check_whole(*key)
            if unit in (None, _unit_in_manifest(stored, *key)):
                found[key] = msgspec.json.decode(_worked_out(stored, key, "", None).summary, type=Facts)
        except NotWholeError as problem:
            found[key] = msgspec.structs.replace(_NOTHING, unreadable=(str(problem),))
    return found


def _runs_in_store(stored: Stored, *, halves: bool) -> list[tuple[str, str]]:
    """Every run with a manifest, and with `halves` those that have only samples."""
    found = dict.fromkeys(
        (fixture, name.removesuffix(".json"))
        for fixture in stored.list("runs")
        for name in stored.list(f"runs/{fixture}")
        if name.endswith(".json") and paths.is_run(name.removesuffix(".json"))
    )
    for fixture in tree.fixtures(stored) if halves else ():
        found |= dict.fromkeys((fixture, each.run) for each in tree.run_folders(stored, paths.RAW, fixture))
    return list(found)


def known_units(stored: Stored) -> dict[tuple[str, str], str]:
    """The unit of every run that has a manifest, by fixture and run; "" where its card names none, else `UNIT_UNKNOWN`."""
    if stored.local is None:
        runs = _runs_in_store(stored, halves=False)
        return {(fixture, run): _unit_in_manifest(stored, fixture, run) for fixture, run in runs}
    root, files = stored.local, RealFiles(stored.local)
    return _units_of_runs(files, _catalogue(root) if files.list("runs") else None)


def _units_of_runs(files: RealFiles, catalogue: Catalogue | None) -> dict[tuple[str, str], str]:
    """The unit of every run that has a manifest; of one that looks as it did nothing is opened.

    Each manifest is looked at, so that one which came, went or was changed is known; folders of samples are not.
    """
    try:
        index = {(each.fixture, each.run): each for each in catalogue.units()} if catalogue else {}
    except StorageError as problem:
        log.debug("catalogue_not_used", why=str(problem))
        index = {}
    found: dict[tuple[str, str], str] = {}
    fresh: list[UnitEntry] = []
    for fixture, run, name, look in _manifests(files):
        text, entry = _text([(name, look)]), index.get((fixture, run))
        if entry is None or entry.look != text:
            entry = UnitEntry(fixture, run, _unit_in_manifest(files, fixture, run), text)
            if _settled([(name, look)]):
                fresh.append(entry)
        found[fixture, run] = entry.unit
    _enter(catalogue, [], fresh)
    return found


def stamps_of(files: RealFiles) -> Stamps:
    """Every run that has a manifest or samples, and what its files look like; nothing is opened."""
    found: Stamps = {}
    for fixture, run, name, look in _manifests(files):
        found.setdefault((fixture, run), []).append((name, look))
    for dataset in COUNTED:
        for fixture in tree.fixtures(files):
            for path, run, look in _folders(files, dataset, fixture):
                if dataset == paths.RAW or (fixture, run) in found:
                    found.setdefault((fixture, run), []).append((path, look))
    return found


def _stamps_of_run(files: RealFiles, fixture: str, run: str) -> list[tuple[str, Look]]:
    """The same of one run with a manifest."""
    manifest = paths.manifest_path(fixture, run)
    looks = [(manifest.rpartition("/")[2], files.look(manifest))]
    for dataset in COUNTED:
        folder = tree.run_folder(files, dataset, fixture, run)
        if folder is not None:
            looks.append((f"{dataset}/date={folder.date}", files.look(folder.path)))
    return [(name, look) for name, look in looks if look is not None]


def _manifests(files: RealFiles) -> Iterator[tuple[str, str, str, Look]]:
    """Fixture, run, name and look of every manifest."""
    for fixture in files.list("runs"):
        for name, look in files.looks(f"runs/{fixture}").items():
            run = name.removesuffix(".json")
            if name.endswith(".json") and paths.is_run(run):
                yield fixture, run, name, look


def _unit_in_manifest(files: Stored, fixture: str, run: str) -> str:
    try:
        return _card_of(read_manifest(files, fixture, run)).unit
    except RunNotFoundError:  # it went meanwhile
        return ""
    except CorruptFileError:
        return UNIT_UNKNOWN


def _card_of(manifest: Manifest | None) -> _OnCard:
    return msgspec.json.decode(manifest.card, type=_OnCard) if manifest and manifest.card else _OnCard()


def _unit_entry(entry: SummaryEntry, looks: list[tuple[str, Look]]) -> UnitEntry:
    return UnitEntry(entry.fixture, entry.run, entry.unit, _text(looks[:1]))


def _enter(catalogue: Catalogue | None, summaries: list[SummaryEntry], units: list[UnitEntry]) -> None:
    if catalogue is not None and (summaries or units):
        try:
            catalogue.add_summaries(summaries, units)
        except StorageError as problem:  # the answer stands; the next one takes as long
            log.debug("summaries_not_entered", why=str(problem))


def _folders(files: RealFiles, dataset: str, fixture: str) -> Iterator[tuple[str, str, Look]]:
    base = f"{dataset}/fixture={fixture}"
    for date in files.list(base):
        for name, look in files.looks(f"{base}/{date}").items():
            if name.startswith("run="):
                yield f"{dataset}/{date}", name.removeprefix("run="), look


def _text(looks: list[tuple[str, Look]]) -> str:
    return " ".join(
        f"{name}:{look.size}:{look.mtime_ns}:{look.ctime_ns}:{look.inode}" for name, look in looks
    )


def _settled(looks: list[tuple[str, Look]]) -> bool:
    return max(max(look.mtime_ns, look.ctime_ns) for _, look in looks) < time.time_ns() - SETTLED_NS


def _catalogue(root: Path) -> Catalogue | None:
    """The catalogue of a root that is the asker's own; in somebody else's nothing is made."""
    try:
        return Catalogue(root) if Catalogue.may_be_kept(root) else None
    except StorageError as problem:
        log.debug("catalogue_not_used", why=str(problem))
        return None


def _entered(catalogue: Catalogue | None, units: Sequence[str]) -> Mapping[tuple[str, str], SummaryEntry]:
    try:
        return {(each.fixture, each.run): each for each in catalogue.summaries(units)} if catalogue else {}
    except StorageError as problem:
        log.debug("catalogue_not_used", why=str(problem))
        return {}


def _worked_out(
    stored: Stored, key: tuple[str, str], stamp: str, catalogue: Catalogue | None
) -> SummaryEntry:
    run, unreadable = Run(stored, *key), list[str]()
    manifest: Manifest | None = None
    try:
        manifest = run.manifest
    except CorruptFileError as problem:
        unreadable.append(str(problem))
    card = _card_of(manifest)
    unit = UNIT_UNKNOWN if unreadable else card.unit
    rows = {dataset: _rows(run, dataset, catalogue, unreadable) for dataset in COUNTED}
    facts = _facts(run, manifest or Manifest(fixture=key[0], run=key[1], started_utc_ns=0), card, rows)
    facts = msgspec.structs.replace(
        facts, state=facts.state if manifest else "", unreadable=tuple(unreadable)
    )
    return SummaryEntry(*key, unit, stamp, msgspec.json.encode(facts).decode())


def _rows(run: Run, dataset: str, catalogue: Catalogue | None, unreadable: list[str]) -> int:
    """Rows of a dataset by the files that are there; a footer is read where the catalogue does not know the file."""
    known = (
        {each.path: each.rows for each in catalogue.chunks(run.fixture, run.run, dataset)}
        if catalogue
        else {}
    )
    total = 0
    for each in run.chunks(dataset):
        rows = known.get(each.path)
        try:
            total += each.rows if rows is None else rows
        except (CorruptFileError, NotWholeError) as problem:
            unreadable.append(str(problem))
    return total


def _facts(run: Run, manifest: Manifest, card: _OnCard, rows: Mapping[str, int]) -> Facts:
    raw = run.chunks(paths.RAW)
    return Facts(
        unit=card.unit,
        variant=card.variant,
        timezone=manifest.timezone,
        state=manifest.state,
        motion=manifest.motion.state if manifest.motion else "",
        motion_text=manifest.motion.text if manifest.motion else "",
        reason=manifest.reason,
        kept=manifest.kept,
        chunks=len(raw),
        samples=rows[paths.RAW],
        cycles=rows[CYCLES],
        gaps=rows[GAPS],
        bytes=sum(run.stored.size(each.path) for each in raw),
        night_verdict=manifest.night_verdict,
    )
