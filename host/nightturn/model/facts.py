"""The bodies of `Host` records: facts that the shell puts on the tape, as msgpack."""

from collections.abc import Callable

import msgspec

from nightturn.model.clocks import ClockOffset
from nightturn.model.records import Host

RUN_OPENED = "run_opened"
LINK = "link"
PROBE_SENT = "probe_sent"
SYNCED = "synced"
CUT = "cut"
COMMAND = "command"
FAILURE = "failure"
DAEMON_ENDS = "daemon_ends"  # the name of a command
SETTING = "setting"
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
    """

    by: str
    boot_id: int
    go_utc_ns: int
    stopped_utc_ns: int
    resumes: int
    events_through: int = 0
    events_newest: int = 0
    bound: Bound | None = None


class Seen(msgspec.Struct, frozen=True):
    """A device as a core saw it last.

    Its boot, when by UTC, ns (0 = not known), where its shaft stood, encoder counts (None before any sample), and the newest
    latched event of that boot.
    """

    boot_id: int
    ts: int
    position: int | None = None
    newest_latched: int = 0


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


class LinkFact(msgspec.Struct, frozen=True):
    """The byte stream opened or was lost, and why."""

    opened: bool
    reason: str = ""


class ProbeSent(msgspec.Struct, frozen=True):
    """The probe with this id was handed to the line; the record's `at_ns` is the stamp at the write."""

    probe_id: int


class Synced(msgspec.Struct, frozen=True, omit_defaults=True):
    """Everything up to `record_no` (written by `utc_ns`) has been made durable.

    `short` says that the disk has room for little more, as a sentence; empty while it has.
    """

    record_no: int
    utc_ns: int
    short: str = ""


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


KINDS: dict[str, type[msgspec.Struct]] = {
    RUN_OPENED: RunOpened,
    LINK: LinkFact,
    PROBE_SENT: ProbeSent,
    SYNCED: Synced,
    CUT: Cut,
    COMMAND: Command,
    FAILURE: Failure,
    SETTING: Setting,
}

# Made on import: two threads that make the first decoder of a type at once crash the interpreter.
DECODERS: dict[str, Callable[[bytes], msgspec.Struct]] = {
    name: msgspec.msgpack.Decoder(kind).decode for name, kind in KINDS.items()
}


def host(at_ns: int, kind: str, fact: msgspec.Struct) -> Host:
    """Wrap a fact as a record."""
    return Host(at_ns, kind, msgspec.msgpack.encode(fact))
