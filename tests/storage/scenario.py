"""Records, plans and rows to store: a small encoder of BLOCK frames and the signal that sizes are measured on."""

from collections.abc import Sequence

import numpy as np

from nightturn.model.facts import CUT, Cut, host
from nightturn.model.figures import BUDGET, BudgetLine, Curve, CycleRecord, Figure
from nightturn.model.records import Emit, Frame, Record, Tick
from nightturn.model.rows import ChunkPlan, ClockRow, EventRow, GapRow, SlowRow, StrokeRow, TrendRow
from nightturn.model.tiles import Int32s, Int64s
from nightturn.storage import tape
from nightturn.storage.segment import SegmentHeader, encode_header
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import Block, EncoderForm, Stream

FIXTURE = "pan-a1"
RUN = "20261125T213000Z-4f1c"
STARTED_NS = 1_795_642_200_000_000_000  # 2026-11-25T21:30:00Z
SESSION = 7
TICK_HZ = 1_000_000
RATE_HZ = 10_000
TICKS_PER_SAMPLE = TICK_HZ // RATE_HZ
BLOCK_SAMPLES = 100
COUNTS_PER_REV = 131_072
LSB_NM = 10.0 / 2**23


class FixedClock:
    """A clock that stands still until it is moved."""

    def __init__(self, utc_ns: int = STARTED_NS) -> None:
        self.utc = utc_ns

    def monotonic_ns(self) -> int:
        return self.utc - STARTED_NS

    def utc_ns(self) -> int:
        return self.utc


def bench_signal(samples: int, sigma: float = 64.0, seed: int = 5) -> tuple[Int32s, Int64s]:
    """Torque counts and encoder counts: offset, drift, cogging 12/24/84, friction with a bump, white noise.

    24 bit over 10 N·m, 10 kS/s, ±180° triangle of 24 s, 131,072 counts in a turn, 0.3 counts of jitter.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(samples) / RATE_HZ
    phase = (t / 24.0) % 1.0
    turns = np.where(phase < 0.5, 2 * phase - 0.5, 1.5 - 2 * phase)
    sense = np.where(phase < 0.5, 1.0, -1.0)
    since_reversal = (phase % 0.5) * 24.0
    angle = 2 * np.pi * turns
    torque_nm = 0.05 + 0.01 * (1 - np.exp(-t / 600.0))
    for order, amplitude_nm in ((12, 0.030), (24, 0.012), (84, 0.005)):
        torque_nm = torque_nm + amplitude_nm * np.cos(order * angle + order)
    torque_nm = torque_nm + 0.080 * sense * (1 + 0.4 * np.exp(-since_reversal / 0.15))
    raw = np.rint(torque_nm / LSB_NM + rng.normal(0.0, sigma, samples)).astype(np.int32)
    encoder = np.rint(turns * COUNTS_PER_REV + rng.normal(0.0, 0.3, samples)).astype(np.int64)
    return raw, encoder


def block_body(
    index: int,
    raw: Int32s,
    encoder: Int64s,
    *,
    seq: int = 0,
    session: int = SESSION,
    flags: int = 0,
    inputs: int = 3,
) -> bytes:
    """The body of one BLOCK frame; sample `index` is at tick `index * TICKS_PER_SAMPLE`."""
    torque = np.asarray(raw, "<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    deltas = np.diff(encoder, prepend=encoder[0]).astype("<i2").tobytes()
    block = Block(
        first_index=index,
        tick=index * TICKS_PER_SAMPLE,
        encoder_base=int(encoder[0]),
        count=len(raw),
        stream=Stream.BRIDGE,
        encoder_form=EncoderForm.DELTA16,
        flags=flags,
        config_epoch=1,
        inputs=inputs,
        reserved=0,
        samples=torque + deltas,
    )
    return frame_body(block, session, seq)


def block_frames(
    raw: Int32s, encoder: Int64s, *, first_index: int = 0, leave_out: Sequence[int] = ()
) -> list[Record]:
    """The signal as frames of 100 samples; `leave_out` names blocks that never arrive."""
    frames: list[Record] = []
    for seq, start in enumerate(range(0, len(raw), BLOCK_SAMPLES)):
        if seq not in leave_out:
            stop = start + BLOCK_SAMPLES
            body = block_body(first_index + start, raw[start:stop], encoder[start:stop], seq=seq)
            frames.append(Frame((first_index + stop) * 100_000, body))
    return frames


def cut(at_ns: int = 0) -> Record:
    """The record that ends a segment."""
    return host(at_ns, CUT, Cut(0, 0))


def plan_for(
    first: int,
    last: int,
    samples: int,
    *,
    chunk_no: int = 1,
    epoch: int = 1,
    skip: tuple[int, ...] = (),
    unlocked_until_tick: int = 0,
    knots: tuple[tuple[int, int], ...] | None = None,
    run: str = RUN,
) -> ChunkPlan:
    """A plan whose clock runs 37.3 ppm fast against the nominal tick, with one knot a second."""
    if knots is None:
        knots = tuple((s * TICK_HZ, STARTED_NS + s * 1_000_037_300) for s in range(400))
    return ChunkPlan(
        first=first,
        last=last,
        run=run,
        epoch=epoch,
        chunk_no=chunk_no,
        session=SESSION,
        started_utc_ns=STARTED_NS,
        knots=knots,
        unlocked_until_tick=unlocked_until_tick,
        skip=skip,
        calibration_id="TR-204/3",
        lsb_nm=LSB_NM,
        zero_count=1234.5,
        counts_per_rev=COUNTS_PER_REV,
        rate_millihz=RATE_HZ * 1000,
        tick_hz=TICK_HZ,
        ticks_per_sample=TICKS_PER_SAMPLE,
        samples=samples,
    )


def segment_bytes(records: Sequence[Record], first_record_no: int = 1, segment_id: int = 0xC0FFEE) -> bytes:
    """A whole segment: header, snapshot, records."""
    header = SegmentHeader(segment_id, FIXTURE, RUN, 1, first_record_no, STARTED_NS, "0.1.0", "1.0")
    salt = tape.salt_of(segment_id)
    snapshot = tape.encode_snapshot(b"state", first_record_no - 1, 0, salt)
    return encode_header(header) + snapshot + tape.encode_records(records, first_record_no, salt)


def mixed_records(frames: int = 4) -> list[Record]:
    """A few records of every kind."""
    raw, encoder = bench_signal(frames * BLOCK_SAMPLES)
    records: list[Record] = [Tick(1, STARTED_NS, 99)]
    records += block_frames(raw, encoder)
    return [*records, Tick(2, STARTED_NS + 100_000_000, 0xFFFFFFFF), cut(3)]


def packed(*values: float) -> bytes:
    """As a curve keeps them."""
    return np.asarray(values, "<f4").tobytes()


CURVES = (
    Curve("forward", 1, 4, packed(0.25, 0.5, np.nan, 0.75), b"", b""),
    Curve("hold", 1, 3, packed(5.0, 5.5, 5.25, 5.75), packed(0.125), packed(0.0625)),
)


def cycle_record(cycle_no: int = 1, friction_nm: float = 0.110) -> CycleRecord:
    """A cycle with a judged, a refused and an uncertain figure."""
    return CycleRecord(
        run=RUN,
        epoch=1,
        cycle_no=cycle_no,
        status="ok",
        direction=1,
        record_first=10,
        record_last=900,
        index_first=0,
        index_last=80_000,
        ts_start=STARTED_NS + cycle_no * 1_000_000_007,
        ts_end=STARTED_NS + cycle_no * 1_000_000_007 + 405_000_000_001,
        speed_rpm=3.0,
        setpoint_nm=5.0,
        coverage=0.999,
        calibration_id="TR-204/3",
        config_digest="ab" * 32,
        sums_sha256="cd" * 32,
        fingerprint="numpy",
        figures=(
            Figure(
                "friction_nm",
                friction_nm,
                0.001,
                3.0,
                "ok",
                4,
                u_rep=0.0006,
                nu_rep=3.0,
                u_common=0.0008,
                kind=BUDGET,
                measurand="the rotor",
                band=(1, 700),
                unseen=(864,),
                budget=(
                    BudgetLine("repeatability", 0.0006, 3.0, common=False, source="this cycle"),
                    BudgetLine("factor", 0.0008, 1e6, common=True, source="certificate QL 26/7"),
                ),
            ),
            Figure("ripple_pp_nm", None, status="refused", reasons=("too few revolutions",)),
        ),
        temperatures_degc={"bearing": 31.5, "winding": 44.25},
        orders=((16, 0.02, 0.5, 0.001), (36, 0.01, -1.5, 0.001)),
        reasons=(),
        verdict="accept",
        verdict_reasons=("friction inside its limit",),
        curves=CURVES,
    )


def trend_row(cycle_no: int) -> TrendRow:
    """The friction of a cycle among those before it."""
    cycle = cycle_record(cycle_no)
    return TrendRow(
        ts=cycle.ts_end, epoch=1, cycle_no=cycle_no, figure="friction_nm", direction=1, strokes=50 * cycle_no, value=0.110, u=0.0006,
        degc=31.5, status="changed", reason="stepped up", baseline=0.11, scatter=0.0006, sum_up=0.4, sum_down=0.0, threshold=9.8,
        suspected_cycle_no=None, ts_changed=cycle.ts_start, changed_cycle_no=1, slope_per_hour=1e-4,
    )  # fmt: skip


def rows_of_every_dataset() -> list[Emit]:
    """At least one row for each dataset of rows."""
    ts = STARTED_NS + 123_456_789
    return [
        Emit("slow", SlowRow(ts, 1, 5, "temp_bearing", 31.5)),
        Emit("slow", SlowRow(ts + 1, 1, 6, "temp_winding", 44.25)),
        Emit("events", EventRow(ts, 1, 5, "reconnect", "warning", "the link came back", None)),
        Emit("events", EventRow(ts + 7, 1, 9, "clock_step", "info", "wall clock stepped", 0.25)),
        Emit("gaps", GapRow("link", 1, 300, 400, ts, ts + 10_000_000, 100, True)),
        Emit("clock", ClockRow(ts, 1, 5, 17, 900, -30, 450, 37.3, True)),
        Emit("strokes", StrokeRow(ts, 1, 1, 1, -1, 0, 99, 0.1, 0.3, 0.12, None)),
        Emit("trend", trend_row(1)),
        Emit("trend", trend_row(2)),
        Emit("cycles", cycle_record(1)),
        Emit("cycles", cycle_record(2, 0.111)),
    ]
