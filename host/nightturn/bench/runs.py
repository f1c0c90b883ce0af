"""Opening runs: which unit, variant and calibration are in force, under which id and record number."""

import datetime as dt
import hashlib
import os
import socket
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import structlog
from crc32c import crc32c

from nightturn.calibration.records import (
    INLINE,
    CalibrationRecord,
    encode_line,
    from_settings,
    in_force,
    parse,
)
from nightturn.calibration.reference_checks import checks_of, parse_checks
from nightturn.calibration.rig_records import file_of, parse_rig_records, rig_record_in_force
from nightturn.errors import CalibrationError
from nightturn.model.cards import MountCard
from nightturn.model.facts import Lock, MotionLeft, RoutineLeft, RunOpened, Seen, StreamLeft, Travel
from nightturn.model.names import run_began_s
from nightturn.motion.moves import cycle_seconds
from nightturn.settings.load import load_variant
from nightturn.settings.meaning import Texts
from nightturn.settings.rig import UTC, FixtureSettings, Fsync
from nightturn.settings.variant import Variant
from nightturn.storage.aside import set_aside
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import newest_run
from nightturn.storage.zones import offsets_of
from nightturn.version import VERSION
from nightturn.world import Clock
from nightturn_protocol.messages import MINOR

log: structlog.stdlib.BoundLogger = structlog.get_logger()


BENCH_CHARACTERS = 6  # of its word: enough to tell the benches of one machine apart
RESUME_APART_S = 10.0  # over so many seconds the fixtures of a hall go on by themselves
UNKNOWN = "unknown"
NEVER_COUNTED = "unknown: no run has counted it"
NOTHING_RECORDED = Texts("", "", "", "")


@dataclass(frozen=True, slots=True)
class Beginning:
    """Where a run starts on the tape, or goes on after a host restart.

    Attributes:
        lost: why nothing could be restored of a run that goes on; empty when all was.
        segment: the segment that recovery has begun for it; empty for a run that starts.
        recorded: under what a run that goes on was recorded; card and calibration hold when their files are damaged.
        utc_offset_ns: UTC less the clock of that run.
        before: the travel of the run that ended before this new one; it goes on where no other card confirms a zero anew.
        night: what is counted of the cycles of a run that goes on; trends: what is known of their course.
        used_card: the card of the run that ended before this new one, used up with it; empty where a setting ended that run.
        changed: what ended the run before this new one, when that was a setting; empty otherwise.
        stream: where the device's series stood in a run that goes on.
        routine: how far the plan of a run that goes on was beside its cycles.
        beyond: which of the newest cycles of a run that goes on were beyond a limit that is confirmed.
    """

    first_record_no: int = 0
    epoch: int = 0
    chunk_no: int = 0
    run: str = ""
    started_utc_ns: int = 0
    previous_ts_ns: int = 0
    travel_zero: int | None = None
    cycle_no: int = 1
    cycles_done: int = 0
    travel_unknown: bool = False
    shunt_first: tuple[float, float] | None = None
    lost: str = ""
    boot_id: int = 0
    left: MotionLeft | None = None
    locks: tuple[Lock, ...] = ()
    segment: str = ""
    recorded: Texts = NOTHING_RECORDED
    utc_offset_ns: int = 0
    changed: str = ""
    guard_seen_open: bool = False
    seen: Seen | None = None
    travel_why: str = ""
    before: Travel | None = None
    used_card: str = ""
    night: bytes = b""
    trends: bytes = b""
    stream: StreamLeft | None = None
    routine: RoutineLeft | None = None
    beyond: tuple[tuple[str, tuple[bool, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class Pace:
    """The run's cadences that its figures do not depend on, when its tape is made durable, and what the watch over figures is held to."""

    control_period_ms: int = 100
    status_ms: int = 100
    tile_samples: int = 1000
    durable_s_max: float = 2.5  # a sync a second, and the slowest of a hall's within two
    fsync: Fsync = "1s"
    cut_phase: float | None = None
    watch_threshold: float = 0.0


def run_id(utc_ns: int, rng: np.random.Generator) -> str:
    """`YYYYMMDDThhmmssZ-xxxx`: when it began, and four hex digits against twins."""
    moment = dt.datetime.fromtimestamp(utc_ns // 1_000_000_000, tz=dt.UTC)
    return f"{moment:%Y%m%dT%H%M%SZ}-{int(rng.integers(0, 1 << 16)):04x}"


def next_run_id(newest: str, utc_ns: int, rng: np.random.Generator) -> str:
    """A run's id that sorts behind the newest one there is: a clock that was put back makes no run older than the one before."""
    if newest:
        utc_ns = max(utc_ns, (run_began_s(newest) + 1) * 1_000_000_000)
    return run_id(utc_ns, rng)


def calibration_in_force(
    root: Path, settings: FixtureSettings, utc_ns: int, own: str = ""
) -> CalibrationRecord:
    """The transducer's record in force: from its file under the data root, else the factor in the rig.

    A file that cannot be decoded or holds no record is set aside; a run that goes on then keeps its `own` record, and a
    file of its own where the rig cannot give it again.

    Raises:
        CalibrationError: none is there, or the file contradicts itself.
    """
    transducer = settings.transducer
    name = f"calibrations/{transducer.serial}.jsonl"
    path = root / name
    if path.is_file():
        try:
            records = parse(path.read_text(encoding="utf-8"), where=str(path))
        except (CalibrationError, UnicodeDecodeError) as error:
            damaged = isinstance(error, UnicodeDecodeError) or isinstance(
                error.__cause__, msgspec.DecodeError
            )
            if not damaged:
                raise
            _set_aside(root, name, str(error))
        else:
            if records:
                return in_force(records, dt.datetime.fromtimestamp(utc_ns / 1e9, tz=dt.UTC))
            _set_aside(root, name, f"{path}: holds no record")
        if own:
            return _own_again(root, name, own)
    if transducer.factor_nm_per_v is None and transducer.sensitivity_mv_per_v is None:
        raise CalibrationError(
            f"transducer {transducer.serial} of fixture {settings.id} has no calibration: write {path}, or give "
            "factor_nm_per_v in bench.toml"
        )
    return from_settings(transducer)


def rig_record_in_use(root: Path, settings: FixtureSettings, utc_ns: int, own: str = "") -> str:
    """The fixture's rig record in force as it stands on the tape; empty where there is none.

    A file that cannot be used is set aside; a run that goes on then keeps its `own` record, another is gross of the rig.
    """
    name = file_of(settings.id)
    path = root / name
    if not path.is_file():
        return ""
    try:
        records = parse_rig_records(path.read_text(encoding="utf-8"), where=str(path))
    except (CalibrationError, UnicodeDecodeError) as error:
        _set_aside(root, name, str(error))
        return own
    record = rig_record_in_force(records, dt.datetime.fromtimestamp(utc_ns / 1e9, tz=dt.UTC))
    return "" if record is None else _text(record)


def reference_check_in_use(root: Path, settings: FixtureSettings) -> str:
    """The fixture's newest reference check as it stands on the tape; empty where there is none that can be read."""
    name = checks_of(settings.id)
    if not (root / name).is_file():
        return ""
    try:
        checks = parse_checks((root / name).read_text(encoding="utf-8"), where=name)
    except (CalibrationError, UnicodeDecodeError) as error:
        _set_aside(root, name, str(error))
        return ""
    return _text(checks[-1]) if checks else ""


def _own_again(root: Path, name: str, own: str) -> CalibrationRecord:
    """The run's own record, in a file again, so that the next start finds it too; what the rig gives needs none."""
    record = msgspec.json.decode(own, type=CalibrationRecord)
    if not record.id.startswith(INLINE) and not (root / name).exists():
        files, why = RealFiles(root), ""
        try:
            files.append(name, encode_line(record).encode())
            files.sync(name)
            files.sync_dir(name.rpartition("/")[0])
        except OSError as error:
            why = str(error)
        if why:
            log.error("calibration_not_written", path=name, why=why)
    return record


def _set_aside(root: Path, name: str, why: str) -> None:
    try:
        kept = set_aside(RealFiles(root), name)
    except OSError as error:
        kept = f"nowhere: {error}"
    log.error("calibration_set_aside", path=name, kept=kept, why=why)


def _text(value: msgspec.Struct) -> str:
    return msgspec.json.encode(value).decode()


NEWER: dict[str, Any] = {
    "figures_apart": True,
    "follows_orders": True,
    "rolls_temperature": True,
    "says_unchanged": True,
}
"""How a run goes on that a tape from before did not."""


def opened(
    settings: FixtureSettings,
    card: MountCard,
    variants: Path,
    root: Path,
    clock: Clock,
    rng: np.random.Generator,
    beginning: Beginning,
    pace: Pace,
    timezone: str = UTC,
) -> RunOpened:
    """The run's first record: everything that decides its figures, in full.

    Raises:
        ConfigError: the card's variant cannot be read.
        CalibrationError: the transducer has no usable calibration.
    """
    utc_ns = clock.utc_ns()
    begins = RunOpened(
        run=beginning.run or next_run_id(newest_run(RealFiles(root), settings.id), utc_ns, rng),
        rig=_text(settings),
        variant=_text(load_variant(variants, card.variant)),
        card=card_text(card),
        calibration=_text(calibration_in_force(root, settings, utc_ns, beginning.recorded.calibration)),
        utc_offset_ns=utc_ns - clock.monotonic_ns(),
        started_utc_ns=beginning.started_utc_ns or utc_ns,
        first_record_no=beginning.first_record_no,
        epoch=beginning.epoch,
        chunk_no=beginning.chunk_no,
        resumed=bool(beginning.run),
        nonce=int(rng.integers(1, 1 << 32)),
        host_version=VERSION,
        **asdict(pace),
        previous_ts_ns=beginning.previous_ts_ns,
        cycle_no=beginning.cycle_no,
        cycles_done=beginning.cycles_done,
        shunt_first=beginning.shunt_first,
        lost=beginning.lost,
        timezone=timezone,
        offsets=offsets_of(timezone, utc_ns),
        changed=beginning.changed,
        night=beginning.night,
        trends=beginning.trends,
        beyond=beginning.beyond,
        wire_minor=MINOR,
        rig_record=rig_record_in_use(root, settings, utc_ns, beginning.recorded.rig_record),
        reference_check=reference_check_in_use(root, settings),
        **NEWER,
    )
    return _taken_over(begins, card, beginning, settings.id)


def _taken_over(begins: RunOpened, card: MountCard, beginning: Beginning, fixture: str) -> RunOpened:
    """What the run takes over: travel, what its permission was, why it waits for a person, where its samples ended."""
    travel = _travel(card, beginning)
    return msgspec.structs.replace(
        begins,
        travel_zero=travel.zero,
        travel_unknown=bool(travel.unknown),
        travel_why=travel.unknown,
        seen=travel.seen,
        boot_id=beginning.boot_id,
        left=beginning.left,
        stream=beginning.stream,
        routine=beginning.routine,
        locks=beginning.locks,
        guard_seen_open=beginning.guard_seen_open,
        resume_apart_s=resume_apart_s(fixture),
    )


def _travel(card: MountCard, beginning: Beginning) -> Travel:
    """The travel that a run begins with: its own, that of a card which confirms a zero anew, or that of the run before."""
    before = beginning.before
    if beginning.run:
        why = beginning.travel_why or (UNKNOWN if beginning.travel_unknown else "")
        return Travel(beginning.travel_zero, why, beginning.seen)
    seen = before.seen if before is not None else None
    confirms = card.travel_zero_confirmed and (before is None or card_text(card) != before.card)
    if beginning.changed and confirms and before is not None:  # confirmed since, whatever the numbers meant
        return Travel(None, "", msgspec.structs.replace(seen, position=None) if seen is not None else None)
    if beginning.travel_unknown:
        return Travel(None, beginning.travel_why or UNKNOWN, seen)
    if confirms:
        return Travel(None, "", seen)
    return before if before is not None else Travel(None, NEVER_COUNTED)


def card_text(card: MountCard) -> str:
    """A mount card as it stands on the tape."""
    return msgspec.json.encode(card).decode()


def info(settings: FixtureSettings, run: RunOpened) -> dict[str, object]:
    """What stands on a fixture, for the retained `info` topic."""
    card = msgspec.json.decode(run.card)
    calibration = msgspec.json.decode(run.calibration)
    return {
        "run": run.run,
        "unit": card["unit"],
        "variant": card["variant"],
        "operator": card["operator"],
        "transducer": settings.transducer.serial,
        "calibration_id": calibration["id"],
        "positive": settings.transducer.positive,
        "rate_hz": settings.rate_hz,
        "counts_per_rev": settings.encoder.counts_per_rev,
        "cycles_planned": settings.plan.cycles,
        "cycle_planned_s": round(cycle_seconds(settings), 1),
        "version": VERSION,
        **({"more_than_cycles": True} if settings.plan.has_more_than_cycles else {}),
        **({"calibration_due": str(calibration["valid_until"])[:10]} if "valid_until" in calibration else {}),
        **_limits(settings, msgspec.json.decode(run.variant, type=Variant)),
    }


def _limits(settings: FixtureSettings, variant: Variant) -> dict[str, object]:
    """Rated torque and limits, each by a key with its unit."""
    accept = {
        f"accept_{bound}_{name}": limit
        for name, asked in sorted(variant.accept.items())
        for bound, limit in asked.limits
    }
    protect = {f"protect_max_{name}": limit.max for name, limit in sorted(settings.protect.items())}
    return {"rated_torque_nm": variant.rated_torque_nm, **accept, **protect}


def resume_apart_s(fixture: str) -> float:
    """How much later than others a fixture goes on by itself, s: by its id, so the same at each start, and spread over `RESUME_APART_S`."""
    return crc32c(fixture.encode()) % round(10 * RESUME_APART_S) / 10


def host_name() -> str:
    """This machine's name as a topic segment."""
    name = "".join(
        c if c.isalnum() and c.isascii() else "-" for c in socket.gethostname().split(".")[0].lower()
    )
    return name.strip("-")[:32] or "host"


def host_id(root: Path) -> str:
    """This machine and this data root as a topic segment: two benches of one machine say for themselves whether they are there."""
    return f"{host_name()}-{bench_word(root)[:BENCH_CHARACTERS]}"


def bench_word(root: Path) -> str:
    """A word that no other data root has, on this host or another; the same at each start, however the root is named."""
    place = os.fsencode(root.resolve()) + b"\0" + socket.gethostname().encode()
    return hashlib.sha256(place).hexdigest()[:12]
