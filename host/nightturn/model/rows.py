"""The rows a core emits, one struct per dataset; storage makes columns of them and telemetry messages."""

import msgspec

from nightturn.model.device import DeviceCounters

CYCLES = "cycles"
STROKES = "strokes"
EVENTS = "events"
GAPS = "gaps"
CLOCK = "clock"
SLOW = "slow"
CHUNK = "chunk"  # not a dataset: the order to seal a segment
WANT_CUT = "want_cut"  # not a dataset: the core asks the shell for a cut
COUNTERS = "counters"  # not stored: made by the shell from what the device counts
STATE = "state"  # not stored: what telemetry and the daemon show
RUN_ENDED = "run_ended"  # not a dataset: the shell closes the run

NOT_STORED = frozenset({CHUNK, WANT_CUT, STATE, RUN_ENDED, COUNTERS})
"""What the shell acts on or shows; every other row becomes a row of a file."""


class EventRow(msgspec.Struct, frozen=True):
    """Something that happened: `kind` is a word, `severity` info, warning or alarm, `detail` a sentence."""

    ts: int
    epoch: int
    tick: int
    kind: str
    severity: str
    detail: str
    value: float | None = None


class GapRow(msgspec.Struct, frozen=True):
    """Samples that are missing: by index inside an epoch (`exact`), by time between epochs."""

    cause: str
    epoch: int
    index_from: int
    index_to: int
    ts_from: int
    ts_to: int
    n_missing: int
    exact: bool


class ClockRow(msgspec.Struct, frozen=True):
    """One knot of the timebase: device tick, host clocks, offset residual, bound and what it rests on."""

    ts: int
    epoch: int
    tick: int
    host_mono_ns: int
    rtt_ns: int
    residual_ns: int
    u_ns: int
    skew_ppm: float
    locked: bool


class SlowRow(msgspec.Struct, frozen=True):
    """One value of a slow channel."""

    ts: int
    epoch: int
    tick: int
    channel: str
    value: float


class StrokeRow(msgspec.Struct, frozen=True):
    """One stroke of the exercise, marked indicative: mean, peak and rms torque over its steady part."""

    ts: int
    epoch: int
    cycle_no: int
    stroke_no: int
    direction: int
    index_first: int
    index_last: int
    mean_torque_nm: float
    peak_torque_nm: float
    rms_torque_nm: float
    temperature_degc: float | None
    indicative: bool = True


class ChunkPlan(msgspec.Struct, frozen=True):
    """The order to seal a segment as one chunk.

    Attributes:
        first: record number of the first record covered.
        last: record number of the last (the cut itself).
        knots: (tick, ts_ns) of the piecewise line that maps ticks to time; covers every sample of the chunk.
        unlocked_until_tick: samples before this tick have a time from the round-trip bound only and are flagged.
        skip: record numbers of BLOCK frames that are not in series (duplicates, late, other session).
        run, epoch, chunk_no: identity; a chunk never spans epochs.
        calibration_id, lsb_nm, zero_count, counts_per_rev, rate_millihz, ticks_per_sample, tick_hz: facts of
            the stream for the file's metadata.
        samples: how many samples the core took in series.
    """

    first: int
    last: int
    run: str
    epoch: int
    chunk_no: int
    session: int
    started_utc_ns: int
    knots: tuple[tuple[int, int], ...]
    unlocked_until_tick: int
    skip: tuple[int, ...]
    calibration_id: str
    lsb_nm: float
    zero_count: float
    counts_per_rev: int
    rate_millihz: int
    tick_hz: int
    ticks_per_sample: int
    samples: int


class WantCut(msgspec.Struct, frozen=True):
    """The core asks the shell to put a `cut` record on the tape."""

    reason: str


class StateRow(msgspec.Struct, frozen=True):
    """What a fixture is doing, for people watching: emitted when it changes and at least every 10 s."""

    ts: int
    state: str
    run: str
    unit: str
    variant: str
    cycle_no: int
    cycles_planned: int
    phase: str
    link: str
    epoch: int
    position_deg: float
    torque_nm: float
    samples: int
    gaps: int
    missing: int
    rtt_us: float
    u_time_us: float
    temperatures_degc: dict[str, float]
    reason: str = ""
    waits_for: str = ""
    permitted_by: str = ""


class CountersRow(msgspec.Struct, frozen=True):
    """What a device counts, for people watching; the shell emits it, None while no device has said anything."""

    ts: int
    counters: DeviceCounters | None


class RunEnded(msgspec.Struct, frozen=True):
    """The run is over: by plan, limit or command."""

    ts: int
    run: str
    reason: str
    by: str


ROW_OF_DATASET: dict[str, type[msgspec.Struct]] = {
    STROKES: StrokeRow,
    EVENTS: EventRow,
    GAPS: GapRow,
    CLOCK: ClockRow,
    SLOW: SlowRow,
}
