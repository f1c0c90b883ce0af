"""The bodies of `Host` records: facts that the shell puts on the tape, as msgpack."""

from collections.abc import Callable

import msgspec

from nightturn.model.clocks import ClockOffset
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Host
from nightturn.model.trends import Fitted

RUN_OPENED = "run_opened"
LINK = "link"
PROBE_SENT = "probe_sent"
SYNCED = "synced"
CUT = "cut"
COMMAND = "command"
FAILURE = "failure"
DAEMON_ENDS = "daemon_ends"  # the name of a command
SETTING = "setting"
CYCLE_FINISHED = "cycle_finished"
TREND_FITTED = "trend_fitted"
HOST_CLOSES = "the host closes the line"  # the reason of a line that is closed, not lost
BY_CARD = "card"  # who ended a run whose unit was taken off, or another one mounted
BY_SETTINGS = "settings"  # who ended a run whose numbers would mean something else under the settings of now


class Bound(msgspec.Struct, frozen=True):
    """What a permission was given for: digests of fixture, variant and card, the port, the board's serial, the sheet's digest."""

    rig: str
    variant: str
    card: str
    port: str
    board: str
    sheet: str


class MotionLeft(msgspec.Struct, frozen=True):
    """The shaft was being turned when the last daemon ended: by whose permission, and in which boot of the device.

    `go_utc_ns` is when it was given, `stopped_utc_ns` the last that is known of that daemon; `resumes` counts how often
    motion has gone on by itself since. `events_through` and `events_newest` are up to which number every event of the
    device was seen, and the newest that was. `bound` is what the permission was given for.
    `seen_tick` is the device tick of the newest block that was seen and `seen_utc_ns` when, by that daemon's clock: a wall clock that is
    set back meanwhile shortens no outage. -1 is not known; None is a tape from before this was kept, on which the wall clock decided alone.
    """

    by: str
    boot_id: int
    go_utc_ns: int
    stopped_utc_ns: int
    resumes: int
    events_through: int = 0
    events_newest: int = 0
    bound: Bound | None = None
    seen_tick: int | None = None
    seen_utc_ns: int = 0


class StreamLeft(msgspec.Struct, frozen=True):
    """Where the device's series stood when the last daemon ended: what its ring still holds behind that can be fetched.

    `boot_id` and `session` it was of, `set_up_epoch` the device's count of SETUPs, `next_seq` the block wanted next and
    `next_index` its first sample, `last_tick` the device tick of the block before. `events_through` and `events_newest` are
    up to which number every event of the boot was seen, and the newest that was. `command_no` numbers the newest command
    that the tape tells of; the device may have taken a later one.
    """

    boot_id: int
    session: int
    set_up_epoch: int
    next_seq: int
    next_index: int
    last_tick: int
    events_through: int
    events_newest: int
    command_no: int


class RoutineLeft(msgspec.Struct, frozen=True):
    """How far the plan was beside its cycles when the last daemon ended.

    Whether its warm-up was over, how many cycles were done at the last soak (-1: none) and at the last stop for a person, and how
    long the warm-up or soak under way had turned, ns.
    """

    warmed: bool = False
    soaked_at: int = -1
    parked_at: int = 0
    turned_ns: int = 0


class Seen(msgspec.Struct, frozen=True):
    """A device as a core saw it last.

    Its boot, when by UTC, ns (0 = not known), where its shaft stood, encoder counts (None before any sample), the newest
    latched event of that boot, and the device tick of that moment (-1 = not known).
    """

    boot_id: int
    ts: int
    position: int | None = None
    newest_latched: int = 0
    tick: int = -1


class Travel(msgspec.Struct, frozen=True):
    """What is known of the travel: the encoder count of its zero, or since when and why it is unknown.

    `seen` is where the shaft stood, `card` the card by which the zero was confirmed, or that was in force when it was counted on.
    """

    zero: int | None
    unknown: str = ""
    seen: Seen | None = None
    card: str = ""


class Lock(msgspec.Struct, frozen=True):
    """Why motion of the last daemon or run waited for a person: a cause of `motion.permission`, a sentence, when by UTC, ns."""

    cause: str
    text: str
    ts: int


class RunOpened(msgspec.Struct, frozen=True):
    """A run begins or goes on: everything that decides its figures, in full.

    `rig` is the fixture's settings, `variant` the product's, `card` the mount card, `calibration` the record
    of the transducer, each as JSON text. A run that goes on after a host restart is `resumed`: it then brings
    the last time given out (`previous_ts_ns`) and how many cycles the plan has done. The encoder count of travel zero
    also comes from the run before; it holds in the boot of the device that was `seen` last, else the core looks whether it
    does. `travel_unknown` when it was lost before, and `travel_why` says since when.
    `shunt_first` is its first shunt check's step and standard uncertainty, N·m.
    `boot_id` is the device's boot when the last daemon ended, 0 when it is not known; `left` what motion it left,
    `locks` why it waited for a person; in a run that begins, what nobody answered in the one before.
    `guard_seen_open` says that the guard was seen open since the last run ended; a run that begins has seen nothing.
    `lost` says why nothing of it could be restored; its travel is then unknown, and its motion waits for a person.
    `timezone` is by which clocks people read the run's times, an IANA name; nothing recorded is in it. `offsets` is what
    this host knows of them, so that a replay elsewhere says the same times.
    `changed` says what ended the run before, when that was a setting: a person sees to it before this one moves.
    `durable_s_max` bounds how old the last durable record may be before the motion lease is withheld.
    `cut_phase` is where in a chunk's length, on the host's clock, this fixture's cuts lie, from 0 to below 1, so that those
    of a hall do not fall together; None: a chunk is cut when it is as old as it may become.
    `night` is what is counted of the cycles before, as `fixture.owners.night` packs it; empty for a run that begins.
    `wire_minor` is the minor version of the wire that the host of this tape speaks; a replay says the same.
    `rig_record` is the record of what the rig makes by itself, JSON text; empty without one.
    `stream` is where the device's series stood when the last daemon ended; None where there was none.
    `fsync` is when its tape is made durable, as the rig file says it; with "never" nothing is promised, so nothing turns.
    `figures_apart` says that the shell works figures out and puts `CycleFinished` on the tape; on older tapes the core did so.
    `routine` is how far the plan was beside its cycles; None for a run that begins.
    `resume_apart_s` is how much longer this fixture than another announces motion that goes on by itself, so that cycles of a hall do not
    begin together.
    `watch_threshold` is what the sums of the watch over figures are held against, in standard deviations; 0 on tapes from before there was
    one: nothing is followed. `trends` is what is known of their course by the cycles of the run so far, as `trend.following` packs it.
    `beyond` says of each figure with a limit that is confirmed whether the newest cycles before were beyond it, the newest last.
    `earlier` is what the unit's earlier nights say of it where there are no `trends`, as `trend.earlier` packs it; empty on older tapes.
    `reference_check` is the newest reference check of the fixture, JSON text; empty without one, and on older tapes.
    `follows_orders` says that families of orders and strokes are followed too; not on older tapes. `rolls_temperature`: with their temperature.
    `says_unchanged`: a night without a change is asked for what its torque signal and its temperature did; not on older tapes.
    """

    run: str
    rig: str
    variant: str
    card: str
    calibration: str
    utc_offset_ns: int
    started_utc_ns: int
    first_record_no: int
    epoch: int
    chunk_no: int
    resumed: bool
    control_period_ms: int
    nonce: int
    host_version: str
    status_ms: int = 100
    tile_samples: int = 1000
    durable_s_max: float = 5.0
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
    timezone: str = "UTC"
    offsets: tuple[ClockOffset, ...] = ()
    changed: str = ""
    guard_seen_open: bool = False
    seen: Seen | None = None
    travel_why: str = ""
    wire_minor: int = 0
    night: bytes = b""
    rig_record: str = ""
    cut_phase: float | None = None
    stream: StreamLeft | None = None
    fsync: str = "1s"
    figures_apart: bool = False
    resume_apart_s: float = 0.0
    watch_threshold: float = 0.0
    trends: bytes = b""
    routine: RoutineLeft | None = None
    beyond: tuple[tuple[str, tuple[bool, ...]], ...] = ()
    earlier: bytes = b""
    follows_orders: bool = False
    rolls_temperature: bool = False
    reference_check: str = ""
    says_unchanged: bool = False


class LinkFact(msgspec.Struct, frozen=True):
    """The byte stream opened or was lost, and why."""

    opened: bool
    reason: str = ""


class ProbeSent(msgspec.Struct, frozen=True):
    """The probe with this id was handed to the line; the record's `at_ns` is the stamp at the write."""

    probe_id: int


class Synced(msgspec.Struct, frozen=True, omit_defaults=True):
    """Everything up to `record_no` (written by `utc_ns`) has been made durable.

    `short` says that the disk has room for little more, as a sentence; empty while it has. `unread` when that is not known,
    because the room could not be read; `low` when there is room for events and state only, so that samples are to stop.
    """

    record_no: int
    utc_ns: int
    short: str = ""
    unread: bool = False
    low: bool = False


class Cut(msgspec.Struct, frozen=True):
    """The shell offers a cut here: the last record of a segment; `forced` by recovery, whatever still waits."""

    effects_crc: int
    effects: int
    forced: bool = False


class Command(msgspec.Struct, frozen=True):
    """A person or program asks: `go` for a unit, `pause`, `stop`, `card_changed`, `confirm_travel_zero`, or the daemon ends.

    `card` is the mount card, JSON text, by which a person confirms the travel zero.
    """

    name: str
    by: str = ""
    unit: str = ""
    card: str = ""


class Failure(msgspec.Struct, frozen=True):
    """A shell failed to carry an effect out."""

    what: str
    detail: str


class Setting(msgspec.Struct, frozen=True):
    """Other settings than the run was opened or goes on with, each text in full, and the start of their SHA-256."""

    rig: str
    variant: str
    card: str
    calibration: str
    digest: str
    rig_record: str = ""


class CycleFinished(msgspec.Struct, frozen=True):
    """The figures of a cycle have been worked out of its sums, or could not be.

    Attributes:
        epoch, cycle_no: which cycle.
        sums_sha256: of the sums that they were made of.
        record: the cycle with its figures, to the last bit as they were worked out, and the numeric fingerprint; None without.
        error: why there are none, a sentence; empty with a record.
    """

    epoch: int
    cycle_no: int
    sums_sha256: str
    record: CycleRecord | None = None
    error: str = ""


class TrendFitted(msgspec.Struct, frozen=True):
    """The course of a figure in one direction has been fitted up to a cycle, or could not be; `error` says why, a sentence."""

    figure: str
    direction: int
    cycle_no: int
    fitted: Fitted | None = None
    error: str = ""


KINDS: dict[str, type[msgspec.Struct]] = {
    RUN_OPENED: RunOpened,
    LINK: LinkFact,
    PROBE_SENT: ProbeSent,
    SYNCED: Synced,
    CUT: Cut,
    COMMAND: Command,
    FAILURE: Failure,
    SETTING: Setting,
    CYCLE_FINISHED: CycleFinished,
    TREND_FITTED: TrendFitted,
}

# Made on import: two threads that make the first decoder of a type at once crash the interpreter.
DECODERS: dict[str, Callable[[bytes], msgspec.Struct]] = {
    name: msgspec.msgpack.Decoder(kind).decode for name, kind in KINDS.items()
}


def host(at_ns: int, kind: str, fact: msgspec.Struct) -> Host:
    """Wrap a fact as a record."""
    return Host(at_ns, kind, msgspec.msgpack.encode(fact))
