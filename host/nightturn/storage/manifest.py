"""The manifest of a run: everything that decided it, and how it stands. One JSON file, replaced as a whole."""

from typing import Literal

import msgspec
import structlog

from nightturn.errors import CorruptFileError, RunNotFoundError, StorageError
from nightturn.model.device import DeviceFacts, ShuntResult, TorqueRemembered
from nightturn.model.facts import RunOpened, Travel
from nightturn.model.names import RUN_ID
from nightturn.storage import paths
from nightturn.storage.aside import UNREADABLE_SUFFIX, set_aside
from nightturn.world import Files

log: structlog.stdlib.BoundLogger = structlog.get_logger()
State = Literal["running", "ended"]
RUNNING: State = "running"
ENDED: State = "ended"


class TorqueSince(msgspec.Struct, frozen=True, kw_only=True):
    """The torque table of a device's sheet, JSON text, and with which chunk and epoch it was first met."""

    chunk_no: int
    epoch: int
    torque_channel: str


class MotionStood(msgspec.Struct, frozen=True, kw_only=True):
    """What motion did when it was last recorded: the state as `status` says it, its sentence, and when by UTC, ns."""

    state: str
    text: str
    ts: int


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a run is.

    Attributes:
        ended_utc_ns, reason, ended_by: as the core told the end, in its own row.
        rig, variant, card, calibration: as put on the tape when the run opened, each JSON text.
        torque_channel: the torque table of the first device's sheet, JSON text; empty before one was met.
        torque_since: the tables of later boots that differ, in order; what was recorded before keeps its own.
        devices: who the device was, boot by boot.
        shunt_checks: what came of each.
        torque_remembered: what the device told of times in which the run recorded nothing.
        motion: what the shaft might do when that last changed; None before a core has said so.
        travel: of a run that has ended: what the next one takes over.
        kept: exempt from retention.
        timezone: by which clocks people read its times, an IANA name; everything in files is UTC.
    """

    fixture: str
    run: str
    started_utc_ns: int
    state: State = RUNNING
    ended_utc_ns: int | None = None
    reason: str = ""
    ended_by: str = ""
    motion: MotionStood | None = None
    travel: Travel | None = None
    kept: bool = False
    rig: str = ""
    variant: str = ""
    card: str = ""
    calibration: str = ""
    torque_channel: str = ""
    torque_since: tuple[TorqueSince, ...] = ()
    devices: tuple[DeviceFacts, ...] = ()
    shunt_checks: tuple[ShuntResult, ...] = ()
    torque_remembered: tuple[TorqueRemembered, ...] = ()
    host_version: str = ""
    wire_version: str = ""
    timezone: str = "UTC"


def of_opened(fixture: str, opened: RunOpened, wire_version: str = "") -> Manifest:
    """The manifest of a run that begins."""
    return Manifest(
        fixture=fixture,
        run=opened.run,
        started_utc_ns=opened.started_utc_ns,
        rig=opened.rig,
        variant=opened.variant,
        card=opened.card,
        calibration=opened.calibration,
        host_version=opened.host_version,
        wire_version=wire_version,
        timezone=opened.timezone,
    )


def write_manifest(files: Files, manifest: Manifest) -> None:
    """Make the manifest durable in place of an older one; a run that a person marked as kept stays kept.

    One whose older manifest was damaged may have been marked, so it is kept as well.

    Raises:
        StorageError: it cannot be written; the older one stands.
    """
    older = usable_manifest(files, manifest.fixture, manifest.run)
    path = paths.manifest_path(manifest.fixture, manifest.run)
    folder, _, name = path.rpartition("/")
    damaged = any(each.startswith(name + UNREADABLE_SUFFIX) for each in files.list(folder))
    kept = manifest.kept or damaged or (older is not None and older.kept)
    _replace(files, msgspec.structs.replace(manifest, kept=kept))


def _replace(files: Files, manifest: Manifest) -> None:
    path = paths.manifest_path(manifest.fixture, manifest.run)
    folder, _, name = path.rpartition("/")
    temporary = f"{folder}/.{name}{paths.TEMPORARY_SUFFIX}"
    try:
        if temporary.rpartition("/")[2] in files.list(folder):
            files.remove(temporary)
        files.append(temporary, msgspec.json.format(msgspec.json.encode(manifest)) + b"\n")
        files.sync(temporary)
        files.replace(temporary, path)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{path}: {problem}") from problem


def read_manifest(files: Files, fixture: str, run: str) -> Manifest:
    """The manifest of a run.

    Raises:
        RunNotFoundError: the run has none.
        CorruptFileError: it is no manifest.
    """
    path = paths.manifest_path(fixture, run)
    try:
        return msgspec.json.decode(files.read(path), type=Manifest)
    except FileNotFoundError as problem:
        raise RunNotFoundError(f"run {run} of {fixture} has no manifest ({path})") from problem
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise CorruptFileError(path, f"no manifest: {problem}") from problem


def set_kept(files: Files, fixture: str, run: str, *, kept: bool) -> Manifest:
    """Exempt a run from retention, or stop doing so.

    Raises:
        RunNotFoundError: no such run.
    """
    manifest = msgspec.structs.replace(read_manifest(files, fixture, run), kept=kept)
    _replace(files, manifest)
    return manifest


def newest_run(files: Files, fixture: str) -> str:
    """The run of the fixture's newest manifest, by its id, which begins with when it started; empty when there is none."""
    names = files.list(f"runs/{paths.checked_fixture(fixture)}")
    runs = (name.removesuffix(".json") for name in names if name.endswith(".json"))
    return max((run for run in runs if RUN_ID.fullmatch(run)), default="")


def usable_manifest(files: Files, fixture: str, run: str) -> Manifest | None:
    """The manifest, or None when there is none or it is damaged; a damaged one is set aside, its bytes kept.

    Raises:
        StorageError: it cannot be read or set aside.
    """
    path = paths.manifest_path(fixture, run)
    try:
        return read_manifest(files, fixture, run)
    except RunNotFoundError:
        return None
    except CorruptFileError as problem:
        why = str(problem)
    try:
        kept = set_aside(files, path)
    except OSError as problem:
        raise StorageError(f"{path}: cannot be set aside: {problem}") from problem
    log.error("manifest_set_aside", path=path, kept=kept, why=why)
    return None


def manifests(files: Files) -> list[Manifest]:
    """All manifests, by fixture and run.

    Raises:
        CorruptFileError: one is none.
    """
    return [
        read_manifest(files, fixture, name.removesuffix(".json"))
        for fixture in files.list("runs")
        for name in files.list(f"runs/{fixture}")
        if name.endswith(".json") and not name.startswith(".")
    ]
