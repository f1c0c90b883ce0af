"""The sampler: which samples exist at a tick, and the blocks they are cut into."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightturn.virtual.overload import OverloadMemory
from nightturn.virtual.plant import Plant
from nightturn.virtual.products import RAIL_HIGH, RAIL_LOW
from nightturn.virtual.sheet import RATES_HZ
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import CRC_BYTES, HEADER_BYTES, pack_body, to_wire

Int32s = npt.NDArray[np.int32]
Int64s = npt.NDArray[np.int64]
BLOCK_MS_MAX = 100
DELTA_MAX = 32767
OFFSET32_SAMPLES = (wire.DATA_FRAME_BYTES - HEADER_BYTES - wire.BLOCK_HEADER.size - CRC_BYTES) // 7
PATTERN_FACTOR = 40503
PATTERN_STEP = 37
BOOT_RATE_HZ = 1000


def pattern(first: int, count: int) -> tuple[Int32s, Int64s]:
    """The test pattern from a sample number on: torque = low 24 bits, signed, of index·40503; encoder = index·37."""
    index = np.arange(first, first + count, dtype=np.int64)
    low = (index * PATTERN_FACTOR) & 0xFFFFFF
    torque = np.where(low >= 1 << 23, low - (1 << 24), low).astype(np.int32)
    return torque, index * PATTERN_STEP


@dataclass(frozen=True, slots=True)
class StreamSetup:
    """What a SETUP decides."""

    rate_hz: int = BOOT_RATE_HZ
    samples_per_block: int = 100
    status_ms: int = 100
    stream: int = wire.Stream.BRIDGE

    @classmethod
    def of(cls, message: wire.Setup) -> "StreamSetup | None":
        """From a SETUP; None when it is out of range."""
        rate, rest = divmod(message.rate_millihz, 1000)
        per_block = message.samples_per_block
        good = (
            not rest
            and rate in RATES_HZ
            and wire.BLOCK_SAMPLES_MIN <= per_block <= wire.BLOCK_SAMPLES_MAX
            and per_block * 1000 <= BLOCK_MS_MAX * rate
            and 10 <= message.status_ms <= 10_000
            and message.stream in set(wire.Stream)
        )
        return cls(rate, per_block, message.status_ms, message.stream) if good else None


class Sampler:
    """Samples on the device's own tick, numbered from 0 in a boot whether or not a stream runs.

    Attributes:
        running: blocks are cut.
        torque_min, torque_max: extremes since they were last read, None before the first sample. A shunt's step is no
            overload and stays out of them.
        overload: extremes that outlive sessions, by the same rule.
        overrange: samples at a rail, ever.
        after_gap: the next block is the first after a gap.
        railed_pending: samples at a rail may still wait for their block.
    """

    def __init__(self, plant: Plant, tick_hz: int) -> None:
        self.setup = StreamSetup(rate_hz=plant.rate_hz)
        self.running = False
        self.torque_min: int | None = None
        self.torque_max: int | None = None
        self.overload = OverloadMemory()
        self.overrange = 0
        self.after_gap = True
        self.railed_pending = False
        self._plant = plant
        self._tick_hz = tick_hz
        self._first = plant.index
        told = plant.product.counts_per_rev * plant.product.encoder_turns
        self._encoder_zero = plant.position_counts // told * told  # absolute within so many turns only
        self._ticks = tick_hz // plant.rate_hz
        self._base_tick = 0
        self._from_index = 0
        self._start_index = 0
        self._raw: Int32s = np.empty(0, np.int32)
        self._encoder: Int64s = np.empty(0, np.int64)

    @property
    def next_index(self) -> int:
        """Number of the sample that will be taken next."""
        return self._plant.index - self._first

    def tick_of(self, index: int) -> int:
        """Nominal tick of a sample at the present rate."""
        return self._base_tick + index * self._ticks

    def index_at(self, tick: int) -> int:
        """The first sample after a tick."""
        return max((tick - self._base_tick) // self._ticks + 1, 0)

    def block_due(self) -> int:
        """The tick at which the next block will be complete."""
        return self.tick_of(self._start_index + self.setup.samples_per_block - 1)

    def apply(self, setup: StreamSetup) -> None:
        """Use another set-up from the next sample on."""
        now = self.next_index
        last_tick = self.tick_of(now - 1)
        self.setup = setup
        self._plant.set_rate(setup.rate_hz)
        self._ticks = self._tick_hz // setup.rate_hz
        self._base_tick = last_tick + self._ticks - now * self._ticks

    def run(self, start_tick: int) -> None:
        """Begin to cut blocks at the first sample not before a tick."""
        self.running = True
        self.after_gap = True
        self._start_index = max(self.next_index, self.index_at(start_tick - 1))

    def take(self, tick: int) -> bool:
        """Take every sample up to a tick; whether any was at a rail."""
        first, stop = self.next_index, self.index_at(tick)
        if stop <= first:
            return False
        raw, encoder = self._plant.generate(self._first + stop)
        if not self._plant.shunt:
            self.overload.take(raw, self.tick_of(first), self._ticks)
        if self.setup.stream == wire.Stream.PATTERN:
            raw, encoder = pattern(first, stop - first)
        elif self._encoder_zero:
            encoder -= self._encoder_zero
        if self.setup.stream != wire.Stream.PATTERN and self._plant.encoder_sense < 0:
            encoder = -encoder
        railed = self._extremes(raw)
        self.railed_pending |= railed
        if self.running:
            self._keep(first, stop, raw, encoder)
        return railed

    def _extremes(self, raw: Int32s) -> bool:
        low, high = self._plant.extremes
        if not self._plant.shunt:
            self.torque_min = low if self.torque_min is None else min(low, self.torque_min)
            self.torque_max = high if self.torque_max is None else max(high, self.torque_max)
        if high < RAIL_HIGH and low > RAIL_LOW:
            return False
        self.overrange += int(np.count_nonzero((raw >= RAIL_HIGH) | (raw <= RAIL_LOW)))
        return True

    def _keep(self, first: int, stop: int, raw: Int32s, encoder: Int64s) -> None:
        late = min(max(self._start_index - first, 0), stop - first) if not len(self._raw) else 0
        if late:
            raw, encoder = raw[late:], encoder[late:]
        if len(self._raw):
            raw = np.concatenate((self._raw, raw))
            encoder = np.concatenate((self._encoder, encoder))
        self._raw, self._encoder = raw, encoder

    def halt(self) -> None:
        """Cut no more blocks; what has not been cut is dropped (cut it first)."""
        self.running = False
        self._raw, self._encoder = self._raw[:0], self._encoder[:0]

    def blocks(self, until_index: int, cutter: "Cutter", *, rest: bool = False) -> Iterator[bytes]:
        """Whole blocks whose samples all come before an index, encoded; with `rest` also a last short one."""
        size = self.setup.samples_per_block
        ready = min(len(self._raw), max(until_index - self._start_index, 0))
        count = ready if rest else ready - ready % size
        if not count:
            return
        raw, encoder = self._raw[:count], self._encoder[:count]
        first = self._start_index
        self._raw, self._encoder = self._raw[count:], self._encoder[count:]
        self._start_index += count
        yield from cutter.cut(self, first, raw, encoder, size)
        self.railed_pending = self.railed_pending and len(self._raw) > 0


class Cutter:
    """Turns samples into encoded BLOCK frames; what stands in every frame is held here."""

    def __init__(self) -> None:
        self.session = 0
        self.next_seq = 0
        self.config_epoch = 0
        self.inputs = 0

    def cut(self, sampler: Sampler, first: int, raw: Int32s, encoder: Int64s, size: int) -> Iterator[bytes]:
        """Frames of at most `size` samples."""
        torque = raw.astype("<i4", copy=False).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        steps = np.empty(len(encoder), np.int64)
        steps[1:] = encoder[1:] - encoder[:-1]
        steps[::size] = 0
        wide = bool(steps.max() > DELTA_MAX or steps.min() < -DELTA_MAX)
        railed = sampler.railed_pending
        deltas = steps.astype("<i2").tobytes()
        bases = encoder[::size].tolist()
        for number, base in enumerate(bases):
            start = number * size
            stop = min(start + size, len(raw))
            part = slice(start, stop)
            flags = self._flags(sampler, raw[part] if railed else None)
            if wide and np.abs(steps[part]).max() > DELTA_MAX:
                yield from self._wide(sampler, first + start, raw[part], encoder[part], flags)
                continue
            samples = torque[3 * start : 3 * stop] + deltas[2 * start : 2 * stop]
            yield self._frame(
                sampler, first + start, base, stop - start, wire.EncoderForm.DELTA16, flags, samples
            )

    def _flags(self, sampler: Sampler, raw: Int32s | None) -> int:
        flags = 0
        if sampler.after_gap:
            flags |= wire.SampleFlag.AFTER_GAP
            sampler.after_gap = False
        if sampler.setup.stream == wire.Stream.PATTERN:
            return flags | wire.SampleFlag.TEST_PATTERN
        if raw is not None and (raw.max() >= RAIL_HIGH or raw.min() <= RAIL_LOW):
            flags |= wire.SampleFlag.OVERRANGE
        return flags

    def _wide(
        self, sampler: Sampler, first: int, raw: Int32s, encoder: Int64s, flags: int
    ) -> Iterator[bytes]:
        """32-bit offsets; in two blocks when one frame would be too long."""
        half = len(raw) if len(raw) <= OFFSET32_SAMPLES else -(-len(raw) // 2)
        for start in range(0, len(raw), half):
            part = slice(start, start + half)
            base = int(encoder[start])
            torque = raw[part].astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
            samples = torque + (encoder[part] - base).astype("<i4").tobytes()
            count = len(raw[part])
            yield self._frame(sampler, first + start, base, count, wire.EncoderForm.OFFSET32, flags, samples)
            flags &= ~wire.SampleFlag.AFTER_GAP

    def _frame(
        self, sampler: Sampler, first: int, base: int, count: int, form: int, flags: int, samples: bytes
    ) -> bytes:
        head = wire.BLOCK_HEADER.pack(
            first,
            sampler.tick_of(first),
            base,
            count,
            sampler.setup.stream,
            form,
            flags,
            self.config_epoch,
            self.inputs,
            0,
        )
        seq = self.next_seq & 0xFFFFFFFF
        self.next_seq += 1
        return to_wire(pack_body(wire.Block.KIND, self.session, seq, head + samples))
