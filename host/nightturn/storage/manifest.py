"""The manifest of a run: everything that decided it, and how it stands. One JSON file, replaced as a whole."""

from typing import Literal

import msgspec
from crc32c import crc32c

from nightturn.errors import CorruptFileError, RunNotFoundError, StorageError
from nightturn.model.device import DeviceFacts, ShuntResult, TorqueRemembered
from nightturn.model.facts import Lock, RunOpened, Travel
from nightturn.model.names import RUN_ID
from nightturn.model.nights import NightVerdict
from nightturn.storage import paths
from nightturn.storage.aside import UNREADABLE_SUFFIX, set_aside
from nightturn.world import Files, ReadFiles

State = Literal["running", "ended"]
RUNNING: State = "running"
ENDED: State = "ended"
_MARK = b'{\n  "checksum_at_the_end": true,'
_CHECKSUM_KEY = b',\n  "checksum": "'
_CHECKSUM = _CHECKSUM_KEY + b'%08x"\n}\n'


class TorqueSince(msgspec.Struct, frozen=True, kw_only=True):
    """The torque table of a device's sheet, JSON text, and with which chunk and epoch it was first met."""

    chunk_no: int
    epoch: int
    torque_channel: str


class SheetSince(msgspec.Struct, frozen=True, kw_only=True):
    """A device's sheet as it came, JSON text, and with which chunk and epoch it was first met."""

    chunk_no: int
    epoch: int
    sheet: str


class MotionStood(msgspec.Struct, frozen=True, kw_only=True):
    """What motion did when it was last recorded: the state as `status` says it, its sentence, and when by UTC, ns."""

    state: str
    text: str
    ts: int


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a run is.

    Attributes:
        ended_utc_ns, reason, ended_by: as the core told the end, in its own row.
        rig, variant, card, calibration, rig_record, reference_check: as put on the tape when the run opened, each JSON text; without a rig
            record or a check its text is empty.
        torque_channel: the torque table of the first device's sheet, JSON text; empty before one was met.
        torque_since: the tables of later boots that differ, in order; what was recorded before keeps its own.
        sheets: the sheets of the run's devices, each once, in order; what makes figures again from samples needs them.
        devices: who the device was, boot by boot.
        shunt_checks: what came of each.
        torque_remembered: what the device told of times in which the run recorded nothing.
        motion: what the shaft might do when that last changed; None before a core has said so.
        travel: of a run that has ended: what the next one takes over.
        night_verdict: what all its cycles say together; of a run that has not ended, those up to its last chunk.
        locks: of a run that has ended: what nobody answered for; the next one is locked for it.
        kept: exempt from retention, unless `retention/log.jsonl` says otherwise.
        record_first: the first record of the run; 0 when nobody wrote it down.
        chunk_last, record_last: of the newest chunk that was sealed: what is absent of the chunks up to it was lost.
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
    night_verdict: NightVerdict | None = None
    locks: tuple[Lock, ...] = ()
    kept: bool = False
    record_first: int = 0
    chunk_last: int = -1
    record_last: int = 0
    rig: str = ""
    variant: str = ""
    card: str = ""
    calibration: str = ""
    rig_record: str = ""
    reference_check: str = ""
    torque_channel: str = ""
    torque_since: tuple[TorqueSince, ...] = ()
    sheets: tuple[SheetSince, ...] = ()
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
        record_first=opened.first_record_no,
        rig=opened.rig,
        variant=opened.variant,
        card=opened.card,
        calibration=opened.calibration,
        rig_record=opened.rig_record,
        reference_check=opened.reference_check,
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
        files.append(temporary, _signed(manifest))
        files.sync(temporary)
        files.replace(temporary, path)
        files.sync_dir(folder)
    except OSError as problem:
        raise StorageError(f"{path}: {problem}") from problem


def _signed(manifest: Manifest) -> bytes:
    """The manifest as text, with a mark at its beginning that says that its checksum stands at the end."""
    text = msgspec.json.format(msgspec.json.encode(manifest))
    text = _MARK + text.removeprefix(b"{").removesuffix(b"\n}")
    return text + _CHECKSUM % crc32c(text)


def _is_signed(content: bytes, path: str) -> bool:
    """Whether there is a checksum, which then holds.

    Raises:
        CorruptFileError: it does not hold.
    """
    text, key, _ = content.rpartition(_CHECKSUM_KEY)
    if not key and not content.startswith(_MARK):
        return False
    if text + _CHECKSUM % crc32c(text) != content:
        raise CorruptFileError(path, "fails its checksum: it was changed, or damaged, after it was written")
    return True


def read_manifest(files: ReadFiles, fixture: str, run: str) -> Manifest:
    """The manifest of a run.

    Raises:
        RunNotFoundError: the run has none.
        CorruptFileError: it is no manifest, fails its checksum, or is that of another run.
    """
    return read_signed(files, fixture, run)[0]


def read_signed(files: ReadFiles, fixture: str, run: str) -> tuple[Manifest, bool]:
    """The manifest of a run, and whether it carries a checksum; one written before there were any has none.

    Raises:
        RunNotFoundError: the run has none.
        CorruptFileError: it is no manifest, fails its checksum, or is that of another run.
    """
    path = paths.manifest_path(fixture, run)
    try:
        content = files.read(path)
        manifest = msgspec.json.decode(content, type=Manifest)
    except FileNotFoundError as problem:
        raise RunNotFoundError(f"run {run} of {fixture} has no manifest ({path})") from problem
    except (msgspec.DecodeError, UnicodeDecodeError) as problem:
        raise CorruptFileError(path, f"no manifest: {problem}") from problem
    signed = _is_signed(content, path)
    if (manifest.fixture, manifest.run) != (fixture, run):
        raise CorruptFileError(path, f"is the manifest of run {manifest.run} of {manifest.fixture}")
    return manifest, signed


def newest_run(files: Files, fixture: str) -> str:
    """The run of the fixture's newest manifest, by its id, which begins with when it started; empty when there is none."""
    names = files.list(f"runs/{paths.checked_fixture(fixture)}")
    runs = (name.partition(".json")[0] for name in names if ".json" in name)  # also of one that was set aside
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
    import structlog  # a reader of runs, who sets nothing aside, does not wait for it

    log: structlog.stdlib.BoundLogger = structlog.get_logger()
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
