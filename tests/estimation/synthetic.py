"""A small cycle generator for the estimators' tests: sums of cosines, friction, drift, noise, lag; truth beside it."""

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.cycles import Estimator, Event
from nightturn.estimation.phases import ScanSettings
from nightturn.model.tiles import Tile

TAU = 2 * np.pi
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Bench:
    """One made-up actuator on one made-up rig; amplitudes are peaks in N·m, keyed by mechanical order."""

    rate_hz: int = 2000
    counts_per_rev: int = 1 << 20
    lsb_nm: float = 50.0 / (1 << 23)
    zero_count: int = 1200
    sense: int = 1
    pole_pairs: int = 16
    slots: int = 36
    cogging: dict[int, float] = field(
        default_factory=lambda: {1: 0.004, 2: 0.003, 32: 0.006, 36: 0.010, 288: 0.020, 576: 0.006}
    )
    ripple: dict[int, float] = field(default_factory=lambda: {16: 0.006, 32: 0.0075, 96: 0.011, 192: 0.004})
    friction_nm: float = 0.110
    friction_orders: dict[int, float] = field(default_factory=dict)
    hold_nm: float = 5.0
    slow_turns: float = 2.0
    hold_turns: float = 3.0
    slow_rpm: float = 6.0
    hold_rpm: float = 6.0
    exercise_rpm: float = 12.0
    strokes: int = 0
    stroke_deg: float = 90.0
    ramp_rad_per_s2: float = 2.0
    run_up_deg: float = 8.0
    dwell_s: float = 1.2
    first: int = 1
    noise_nm: float = 0.01
    flicker_nm: float = 0.0
    drift_nm_per_s: float = 0.0
    zero_nm: float = 0.0
    lag_s: float = 0.0

    def settings(self, **changes: Any) -> ScanSettings:
        """What the fixture core would derive."""
        cell = max(1, round(0.05 * self.rate_hz))

        def travel(rpm: float) -> int:
            return round(rpm / 60 * cell / self.rate_hz * self.counts_per_rev)

        speeds = [travel(self.slow_rpm)]
        if self.hold_nm:
            speeds.append(travel(self.hold_rpm))
        if self.strokes:
            speeds.append(travel(self.exercise_rpm))
        made: dict[str, Any] = {
            "cell_samples": cell,
            "counts_per_rev": self.counts_per_rev,
            "slow_cell_counts": travel(self.slow_rpm),
            "hold_cell_counts": travel(self.hold_rpm) if self.hold_nm else 0,
            "exercise_cell_counts": travel(self.exercise_rpm) if self.strokes else 0,
            "stand_cell_counts": max(1, min(speeds) // 5),
            "exclusion_counts": round(2 / 360 * self.counts_per_rev),
            "slow_legs": 3,
            "strokes": self.strokes,
            "zero_raw": self.zero_count,
            "hold_threshold_raw": round(self.hold_nm / 2 / self.lsb_nm),
            "rail_low": -(1 << 23) + 8,
            "rail_high": (1 << 23) - 9,
            "jump_raw": round(1.0 / self.lsb_nm),
        }
        return ScanSettings(**{**made, **changes})

    def conditions(self, **changes: Any) -> Conditions:
        """Calibration and unit as `finish` wants them."""
        made = Conditions(
            lsb_nm=self.lsb_nm,
            zero_count=float(self.zero_count),
            sense=self.sense,
            counts_per_rev=self.counts_per_rev,
            rate_hz=float(self.rate_hz),
            rated_torque_nm=15.0,
            pole_pairs=self.pole_pairs,
            slots=self.slots,
            drive_pole_pairs=4,
            drive_slots=24,
            slow_speed_rpm=self.slow_rpm,
            hold_speed_rpm=self.hold_rpm,
            hold_torque_nm=self.hold_nm,
            run="20250101T000000Z-0000",
        )
        return replace_struct(made, changes)

    def true_cogging_pp(self) -> float:
        """Peak-to-peak of the cogging."""
        return peak_to_peak(self.cogging)

    def true_ripple_pp(self) -> float:
        """Peak-to-peak of what the hold shows: cogging and load ripple together."""
        both = dict(self.cogging)
        for order, amplitude in self.ripple.items():
            both[order] = both.get(order, 0.0) + amplitude
        return peak_to_peak(both)

    def true_ripple_rms(self) -> float:
        """Rms of what the hold shows."""
        both = dict(self.cogging)
        for order, amplitude in self.ripple.items():
            both[order] = both.get(order, 0.0) + amplitude
        return float(np.sqrt(sum(a * a for a in both.values()) / 2))


STANDING = ("No filter corner of the torque channel is known: ", "Gross of the rig: ")


def beside_the_rig(reasons: tuple[str, ...]) -> tuple[str, ...]:
    """The sentences of a figure without those that every one of these benches gets, because nothing is known of its filter and
    its rig; `test_rig_net.py` and `test_transfer.py` hold them."""
    return tuple(reason for reason in reasons if not reason.startswith(STANDING))


def replace_struct(struct: Conditions, changes: dict[str, Any]) -> Conditions:
    """A frozen struct with some fields changed."""
    import msgspec

    return msgspec.structs.replace(struct, **changes)


def phase(order: int) -> float:
    """A fixed phase for an order."""
    return (order * 2.399963) % TAU


def waveform(angle: Floats, orders: dict[int, float]) -> Floats:
    """Sum of cosines over angle, through a fine table when there are many samples."""
    if len(angle) < 200_000:
        return sum((a * np.cos(n * angle + phase(n)) for n, a in orders.items()), np.zeros_like(angle))
    points = 1 << 16
    table = waveform(np.linspace(0.0, TAU, points + 1), orders)
    place = (angle / TAU % 1.0) * points
    low = place.astype(np.int64)
    return table[low] + (place - low) * (table[low + 1] - table[low])


def peak_to_peak(orders: dict[int, float]) -> float:
    """Peak-to-peak on a grid fine enough for 0.001 %."""
    wave = waveform(np.linspace(0.0, TAU, (1 << 17) + 1), orders)
    return float(np.ptp(wave))


@dataclass(frozen=True)
class Recording:
    """Samples of one or more cycles."""

    bench: Bench
    encoder: npt.NDArray[np.int64]
    raw: npt.NDArray[np.int32]

    def tile(self, start: int = 0, stop: int | None = None, epoch: int = 0) -> Tile:
        """Part of the recording as one tile."""
        raw, encoder = self.raw[start:stop], self.encoder[start:stop]
        n = len(raw)
        return Tile(
            epoch, start, 1000 + start * 100, 100, raw, encoder, np.zeros(n, np.uint8), np.zeros(n, np.uint16)
        )


def motion(bench: Bench) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Angle rad, speed rad/s and whether the hold torque is on, sample by sample, for one cycle."""
    ways = [bench.first, -bench.first, bench.first]
    moves = [(way, bench.slow_rpm, bench.slow_turns * 360 + 2 * bench.run_up_deg, False) for way in ways]
    if bench.hold_nm:
        moves.append((bench.first, bench.hold_rpm, bench.hold_turns * 360 + 2 * bench.run_up_deg, True))
    strokes = range(bench.strokes)
    moves += [(1 if k % 2 else -1, bench.exercise_rpm, bench.stroke_deg, False) for k in strokes]
    dwell = np.zeros(round(bench.dwell_s * bench.rate_hz))
    speeds, loads = [dwell], [dwell > 1]
    for way, rpm, degrees, loaded in moves:
        top = rpm / 60 * TAU
        ramp = np.arange(1, max(2, round(top / bench.ramp_rad_per_s2 * bench.rate_hz))) * (
            bench.ramp_rad_per_s2 / bench.rate_hz
        )
        steady = max(int((np.radians(degrees) - 2 * ramp.sum() / bench.rate_hz) / top * bench.rate_hz), 1)
        move = way * np.concatenate((ramp, np.full(steady, top), ramp[::-1]))
        speeds += [move, dwell]
        loads += [np.full(len(move), loaded), dwell > 1]
    speed = np.concatenate(speeds)
    return np.cumsum(speed) / bench.rate_hz, speed, np.concatenate(loads)


def flicker(n: int, rng: np.random.Generator) -> Floats:
    """1/f noise of unit variance: values held over octaves of time."""
    total, octaves = np.zeros(n), 16
    for octave in range(1, octaves + 1):
        held = rng.standard_normal(-(-n // 2**octave))
        total += np.repeat(held, 2**octave)[:n]
    return np.asarray(total / np.sqrt(octaves))


@dataclass(frozen=True)
class Clean:
    """What a recording is before noise and ADC: encoder counts and torque."""

    bench: Bench
    encoder: npt.NDArray[np.int64]
    torque_nm: Floats

    def recorded(self, rng: np.random.Generator | int = 0) -> Recording:
        """Noise added, digitised."""
        rng = np.random.default_rng(rng)
        bench, n = self.bench, len(self.torque_nm)
        torque = self.torque_nm + bench.noise_nm * rng.standard_normal(n)
        if bench.flicker_nm:
            torque = torque + bench.flicker_nm * flicker(n, rng)
        raw = np.clip(np.rint(torque / bench.lsb_nm) + bench.zero_count, -(1 << 23), (1 << 23) - 1)
        return Recording(bench, self.encoder, raw.astype(np.int32))


def clean(bench: Bench, cycles: int = 1) -> Clean:
    """`cycles` cycles without noise, each starting the other way round."""
    parts = [motion(replace(bench, first=bench.first * (-1) ** k)) for k in range(cycles)]
    speed = np.concatenate([p[1] for p in parts])
    loaded = np.concatenate([p[2] for p in parts])
    angle = np.cumsum(speed) / bench.rate_hz + 0.3
    late = angle - speed * bench.lag_s
    torque = waveform(late, bench.cogging) - np.sign(speed) * (
        bench.friction_nm + waveform(late, bench.friction_orders)
    )
    torque = torque + loaded * (bench.hold_nm + waveform(late, bench.ripple))
    torque = torque + bench.zero_nm + bench.drift_nm_per_s * np.arange(len(torque)) / bench.rate_hz
    encoder = np.floor(bench.sense * angle / TAU * bench.counts_per_rev + 0.5)
    return Clean(bench, encoder.astype(np.int64), torque)


def record(bench: Bench, rng: np.random.Generator | int = 0, cycles: int = 1) -> Recording:
    """Samples of `cycles` cycles, each starting the other way round."""
    return clean(bench, cycles).recorded(rng)


def feed(estimator: Estimator, recording: Recording, tile: int = 1000, start: int = 0) -> list[Event]:
    """All samples through the estimator in tiles of this size."""
    out: list[Event] = []
    for a in range(start, len(recording.raw), tile):
        out += estimator.add(recording.tile(a, min(a + tile, len(recording.raw))))
    return out


def cycles_of(recording: Recording, tile: int = 20_000, **changes: int) -> list[CycleSums]:
    """The cycles in a recording, the last one closed by an interruption if it is still open."""
    estimator = Estimator.start(recording.bench.settings(**changes), 1)
    events = feed(estimator, recording, tile) + estimator.interrupt("the recording ended")
    return [event for event in events if isinstance(event, CycleSums)]
