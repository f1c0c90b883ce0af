"""The rows a core emits, one struct per dataset; storage makes columns of them and telemetry messages."""

import msgspec

from nightturn.model.device import DeviceCounters
from nightturn.model.facts import Lock
from nightturn.model.nights import NightVerdict
from nightturn.model.phases import EXERCISE
from nightturn.model.traces import Trace
from nightturn.model.trends import Notice

CYCLES = "cycles"
BUDGET = "budget"
CURVES = "curves"
TREND = "trend"
STROKES = "strokes"
EVENTS = "events"
GAPS = "gaps"
CLOCK = "clock"
SLOW = "slow"
CHUNK = "chunk"  # not a dataset: the order to seal a segment
FINISH = "finish"  # not a dataset: the order to work out the figures of a cycle
FIT = "fit"  # not a dataset: the order to fit the course of a figure
WANT_CUT = "want_cut"  # not a dataset: the core asks the shell for a cut
COUNTERS = "counters"  # not stored: made by the shell from what the device counts
STATE = "state"  # not stored: what telemetry and the daemon show
LIVE = "live"  # not stored: made by the shell, once a second, from what the sensors show
ALARM_OVER = "alarm_over"  # not stored: made by the shell when an alarm's cause is gone
ALARM = "alarm"  # not stored with a run: the host's own log has them; made when an alarm changes
RUN_ENDED = "run_ended"  # not a dataset: the shell closes the run

RECOVERED = (
    "recovered"  # not stored as such: what a start made of an earlier daemon's tape, for people watching
)

JOBS = frozenset({FINISH, FIT})
"""What the shell works out beside its loop."""
NOT_STORED = frozenset(
    {CHUNK, FINISH, FIT, WANT_CUT, STATE, LIVE, ALARM_OVER, ALARM, RUN_ENDED, COUNTERS, RECOVERED}
)
"""What the shell acts on or shows; every other row becomes a row of a file."""


RESTART = "restart"
"""The cause of a gap between two epochs."""


class EventRow(msgspec.Struct, frozen=True):
    """Something that happened: `kind` is a word, `severity` info, warning or alarm, `detail` a sentence.

    A row of kind `repeated` stands for all `signs` of one cause, from `ts_from` to `ts_to`.
    """

    ts: int
    epoch: int
    tick: int
    kind: str
    severity: str
    detail: str
    value: float | None = None
    ts_from: int | None = None
    ts_to: int | None = None
    signs: int = 1


class GapRow(msgspec.Struct, frozen=True):
    """Samples that are missing: by index (`exact`) inside an epoch, and before it where the device's boot went on; else by time.

    Between two epochs (`restart`) of one boot `index_from` is the number of the sample that was due when the epoch before ended.
    """

    cause: str
    epoch: int
    index_from: int
    index_to: int
    ts_from: int
    ts_to: int
    n_missing: int
    exact: bool


class RecoveredRow(msgspec.Struct, frozen=True):
    """An event or gap that recovery has put onto the record of an earlier daemon's run, with the time that it has there."""

    run: str
    row: EventRow | GapRow


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
    """One stroke, marked indicative: mean, peak and rms torque over its steady part.

    `phase` is `exercise`, or `warm_up` or `soak` for one that belongs to no cycle: its `cycle_no` is 0.
    """

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
    phase: str = EXERCISE


class BudgetRow(msgspec.Struct, frozen=True):
    """One line of the uncertainty budget of one figure of a cycle; `ts` is the end of the cycle.

    `u` is the standard uncertainty that it contributes, in the unit that `figure` ends with, and `nu` its degrees of freedom.
    A line that is `common` is alike in all cycles of the run. Made from the cycle when a chunk is sealed, never emitted.
    """

    ts: int
    epoch: int
    cycle_no: int
    figure: str
    line: str
    u: float
    nu: float
    common: bool
    source: str


class TrendRow(msgspec.Struct, frozen=True, kw_only=True):
    """One figure of a cycle among those before it in its direction; `ts` is the end of the cycle.

    Value, level and slopes are in the unit that `figure` ends with; slope, level and limit are those of the last fit, behind cycle
    `fitted_cycle_no`, and None where nothing can be said.

    Attributes:
        strokes: of the unit's life before the cycle, as far as they are stored and the state of the run was not lost.
        value, u: of the cycle, None where it has none; u: standard uncertainty of its own scatter.
        degc: temperature nearest to the bearing.
        status: `not_judged`, `not_armed`, `watched`, `suspected` or `changed`; of a family of orders `not_watched`, of strokes `indicative`: these are
            estimated now and then, value and u being those of the newest block of cycles. reason: why, a sentence, or empty.
        baseline, scatter: of the values that the watch rests on: mean, standard deviation.
        sum_up, sum_down: of the watch, in standard deviations; it sees a change beyond `threshold`.
        suspected_cycle_no: from which cycle on the watch sees a change; None while it sees none, or where the change is placed.
        changed_cycle_no, changed_strokes, ts_changed: the newest change; `_from` and `_to` of each: its 90 % set.
            A number is None where the cycle is of an earlier run of the unit.
        causes: what that change is consistent with, by the keys of the table, best first; because: the same in sentences, with what competes and what
            to measure next.
        level, level_half: where the figure is, ± 95 %.
        slope_per_stroke, slope_per_hour: with standard uncertainty `_u` and 95 % interval `_half`.
        limit, limit_bound: the nearest one ahead; with 95 % not reached before so many strokes or hours more.
        ewma: exponentially weighted mean of the watched values, for a picture: nothing is judged by it.
    """

    ts: int
    epoch: int
    cycle_no: int
    figure: str
    direction: int
    strokes: int
    value: float | None
    u: float | None
    degc: float | None
    status: str
    reason: str
    baseline: float | None
    scatter: float | None
    sum_up: float
    sum_down: float
    threshold: float
    suspected_cycle_no: int | None
    fitted_cycle_no: int | None = None
    changed_kind: str | None = None
    changed_cycle_no: int | None = None
    changed_cycle_no_from: int | None = None
    changed_cycle_no_to: int | None = None
    changed_strokes: int | None = None
    ts_changed: int | None = None
    ts_changed_from: int | None = None
    ts_changed_to: int | None = None
    causes: str | None = None
    because: str | None = None
    level: float | None = None
    level_half: float | None = None
    slope_per_stroke: float | None = None
    slope_per_stroke_u: float | None = None
    slope_per_stroke_half: float | None = None
    slope_per_hour: float | None = None
    slope_per_hour_u: float | None = None
    slope_per_hour_half: float | None = None
    limit: float | None = None
    limit_bound: str | None = None
    not_before_strokes: float | None = None
    not_before_hours: float | None = None
    changed_strokes_from: int | None = None
    changed_strokes_to: int | None = None
    ewma: float | None = None


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


class StateRow(msgspec.Struct, frozen=True, kw_only=True):
    """What a fixture is doing, for people watching: emitted when it changes and at least every 10 s.

    Attributes:
        cycle_no: the cycle in the making, by the samples; `cycles_done` of the plan, `cycles_planned` in all.
        locks: why motion waits for a person, oldest first.
        inputs: guard, stop chain and drive in words; None while no device says anything of them.
        night_verdict: what all cycles say together so far; after the run's end it is the last.
        durable_through, durable_utc_ns: the last record that is known to be on the disk, and when it was written; None before
            a sync has ended.
        trends: what the course of figures asks of people, the most urgent first.
    """

    ts: int
    state: str
    run: str
    unit: str
    variant: str
    cycle_no: int
    cycles_done: int
    cycles_planned: int
    phase: str
    link: str
    epoch: int
    samples: int
    gaps: int
    missing: int
    reason: str = ""
    waits_for: str = ""
    permitted_by: str = ""
    locks: tuple[Lock, ...] = ()
    inputs: dict[str, str] | None = None
    night_verdict: NightVerdict | None = None
    durable_through: int | None = None
    durable_utc_ns: int | None = None
    trends: tuple[Notice, ...] = ()


class StandingRow(msgspec.Struct, frozen=True, kw_only=True):
    """What a fixture is doing where no core says it: none runs, or it cannot act.

    Attributes:
        state: `starting`, `no_run`, `unrecorded` (the tape takes nothing, so the core stands still) or `failed`.
        run: the last one there was; empty when nobody knows.
    """

    ts: int
    state: str
    run: str
    reason: str
    waits_for: str = ""


STARTING = "starting"
NO_RUN = "no_run"
UNRECORDED = "unrecorded"
FAILED = "failed"


class LiveRow(msgspec.Struct, frozen=True, kw_only=True):
    """What the sensors show; None where nothing is shown now, which no zero says.

    Attributes:
        position_deg: from the travel zero, the newest; `position_min_deg` and `position_max_deg` of all samples since the
            row before. None while travel is unknown.
        torque_nm: the newest; `torque_min_nm` and `torque_max_nm` of all samples since the row before.
        inputs: every input that the device's sheet names, in words.
        torque_mean_nm: the mean of all samples since the row before; trace: their extremes at 50 Hz, for a page.
        cycles_done, cycles_planned: of the plan.
        rtt_us: the shortest round trip of the line; `u_time_us` how well device time is known as UTC.
    """

    ts: int
    run: str
    phase: str
    cycle_no: int
    position_deg: float | None = None
    position_min_deg: float | None = None
    position_max_deg: float | None = None
    torque_nm: float | None = None
    torque_min_nm: float | None = None
    torque_max_nm: float | None = None
    inputs: dict[str, str] | None = None
    rtt_us: float | None = None
    u_time_us: float | None = None
    temperatures_degc: dict[str, float] = {}
    torque_mean_nm: float | None = None
    cycles_done: int = 0
    cycles_planned: int = 0
    trace: Trace | None = None


class AlarmOver(msgspec.Struct, frozen=True):
    """The cause of an alarm is gone."""

    ts: int
    kind: str


class CountersRow(msgspec.Struct, frozen=True):
    """What a device counts, for people watching; the shell emits it, None while no device has said anything.

    `durable_through` and `durable_utc_ns` as in `StateRow`.
    """

    ts: int
    counters: DeviceCounters | None
    durable_through: int | None = None
    durable_utc_ns: int | None = None


class RunEnded(msgspec.Struct, frozen=True):
    """The run is over: by plan, limit or command; and what all its cycles say together."""

    ts: int
    run: str
    reason: str
    by: str
    night_verdict: NightVerdict | None = None


ROW_OF_DATASET: dict[str, type[msgspec.Struct]] = {
    STROKES: StrokeRow,
    EVENTS: EventRow,
    GAPS: GapRow,
    CLOCK: ClockRow,
    SLOW: SlowRow,
    BUDGET: BudgetRow,
    TREND: TrendRow,
}
