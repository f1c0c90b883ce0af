"""The test pattern as it arrives: every sample bit for bit, in order, at its nominal tick, with the flags it must have."""

import struct
from collections import deque
from dataclasses import dataclass

from nightturn.acquisition.blocks import SAMPLES_AT, unpack_columns
from nightturn.acquisition.outputs import BY_DEVICE, MALFORMED, BlockIn, Missing, Skipped
from nightturn.linktest.findings import Findings
from nightturn.model.quantities import fixed, number
from nightturn_protocol.conversation import seq_distance
from nightturn_protocol.framing import HEADER_BYTES
from nightturn_protocol.messages import BLOCK_HEADER, EncoderForm, Resend, SampleFlag, Stream
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

GAPS_KEPT_MAX = 20  # gaps listed one by one; all are counted
ASKED_KEPT_MAX = 16  # the link has one RESEND outstanding; older ones are settled
TICK_OFF_SAMPLES_MAX = 0.5  # a first sample further from its nominal tick belongs to another sample
SHORTFALL_MAX = 0.02  # of the samples that a time must bring; the clocks differ by far less
START_S_MAX = 0.3  # until the first sample, and from the last whole block to HALT

_ENCODER_BITS = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Gap:
    """Sample numbers [`index_from`, `index_to`) that never came, and whose loss that is."""

    cause: str
    index_from: int
    index_to: int


def pattern_samples(index: int, count: int, form: int) -> bytes:
    """The sample bytes that a BLOCK of the test pattern must have, from sample number `index` on."""
    numbers = range(index, index + count)
    torque = b"".join([(pattern_torque(n) & 0xFFFFFF).to_bytes(3, "little") for n in numbers])
    if form == EncoderForm.DELTA16:
        steps = [pattern_encoder(n) - pattern_encoder(n - 1) for n in numbers]
        return torque + struct.pack(f"<{count}h", 0, *steps[1:])
    return torque + struct.pack(f"<{count}i", *(pattern_encoder(n) - pattern_encoder(index) for n in numbers))


class PatternCheck:
    """Takes what the link delivers of a PATTERN stream and counts what is wrong with it.

    Attributes:
        samples, blocks: that arrived in series.
        repaired: blocks among them that had to be asked for again.
        wrong_bits: bits of sample bytes and encoder bases that are not the pattern's.
        wrong_samples: samples whose torque or encoder value is not the pattern's.
        missing: samples that never came, by cause.
        gaps: the first of the gaps; `gap_count` counts all.
        tick_off_samples: the largest distance of a block from its nominal tick, in sample periods.
    """

    def __init__(self, findings: Findings) -> None:
        self.samples = 0
        self.blocks = 0
        self.repaired = 0
        self.wrong_bits = 0
        self.wrong_samples = 0
        self.missing: dict[str, int] = {}
        self.gaps: list[Gap] = []
        self.gap_count = 0
        self.tick_off_samples = 0.0
        self._findings = findings
        self._asked: deque[tuple[int, int]] = deque(maxlen=ASKED_KEPT_MAX)
        self._ticks_per_sample = 0.0
        self._samples_per_block = 0
        self._last: BlockIn | None = None
        self._gap_before = ""

    def begin(self, ticks_per_sample: float, samples_per_block: int) -> None:
        """A stream begins: its first block follows on nothing."""
        self._ticks_per_sample = ticks_per_sample
        self._samples_per_block = samples_per_block
        self._last = None
        self._gap_before = ""
        self._asked.clear()

    def asked_again(self, resend: Resend) -> None:
        """The link sends this RESEND."""
        self._asked.append((resend.first_seq, resend.count))

    def gap(self, missing: Missing) -> None:
        """Samples will not come."""
        self.gap_count += 1
        if len(self.gaps) < GAPS_KEPT_MAX:
            self.gaps.append(Gap(missing.cause, missing.index_from, missing.index_to))
        count = missing.index_to - missing.index_from
        self.missing[missing.cause] = self.missing.get(missing.cause, 0) + count
        self._gap_before = missing.cause

    def skipped(self, skipped: Skipped) -> None:
        """A block that is not in series; duplicates and late ones are the lane's to count."""
        if skipped.why == MALFORMED:
            self._findings.add(
                "block_impossible", "a block with a good CRC is impossible in itself, or its index went back"
            )

    def block(self, block: BlockIn) -> None:
        """The next block of the series."""
        self.blocks += 1
        self.samples += block.count
        if any(0 <= seq_distance(first, block.seq) < count for first, count in self._asked):
            self.repaired += 1
        self._flags(block)
        self._tick(block)
        self._values(block)
        if block.count > self._samples_per_block:
            self._findings.add(
                "block_too_long",
                f"the block of sample {block.index} holds {block.count} samples, {self._samples_per_block} were set up",
            )
        self._last = block
        self._gap_before = ""

    def judge_amount(self, seconds: float, rate_hz: float) -> None:
        """Whether as many samples came, or are missing with a cause, as this time of streaming must have brought."""
        due = (seconds - START_S_MAX) * rate_hz * (1 - SHORTFALL_MAX)
        seen = self.samples + sum(self.missing.values())
        if seen < due:
            detail = f"only {seen} samples arrived or are known to be missing in {fixed(seconds, 1)} s at {number(rate_hz)} Hz"
            self._findings.add("too_few_samples", detail)

    def _flags(self, block: BlockIn) -> None:
        stream = BLOCK_HEADER.unpack_from(block.body, HEADER_BYTES)[4]
        if not block.flags & SampleFlag.TEST_PATTERN or stream != Stream.PATTERN:
            self._findings.add(
                "not_marked_as_pattern",
                f"the block of sample {block.index} is not marked as test pattern (flags {block.flags:#x}, stream {stream})",
            )
        marked = bool(block.flags & SampleFlag.AFTER_GAP)
        if self._gap_before == BY_DEVICE and not marked:
            self._findings.add(
                "gap_not_marked",
                f"the sample number jumps to {block.index} with no block lost, but AFTER_GAP is not set",
            )
        elif marked and self._last is not None and not self._gap_before:
            self._findings.add(
                "gap_marked_in_vain", f"AFTER_GAP is set at sample {block.index}, where no gap is"
            )

    def _tick(self, block: BlockIn) -> None:
        last = self._last
        if last is None or (block.flags | last.flags) & SampleFlag.TICK_UNCERTAIN:
            return
        off = (block.tick - last.tick) / self._ticks_per_sample - (block.index - last.index)
        self.tick_off_samples = max(self.tick_off_samples, abs(off))
        if abs(off) > TICK_OFF_SAMPLES_MAX:
            self._findings.add(
                "tick_not_nominal",
                f"the tick of sample {block.index} is {fixed(off, 2, signed=True)} sample periods off, seen from the block before",
            )

    def _values(self, block: BlockIn) -> None:
        """Compare the bytes; only a block that differs is taken apart."""
        head = BLOCK_HEADER.unpack_from(block.body, HEADER_BYTES)
        base, form = head[2], head[5]
        right = pattern_samples(block.index, block.count, form)
        if block.body[SAMPLES_AT:] == right and base == pattern_encoder(block.index):
            return
        differing = int.from_bytes(block.body[SAMPLES_AT:]) ^ int.from_bytes(right)
        bits = differing.bit_count() + ((base ^ pattern_encoder(block.index)) & _ENCODER_BITS).bit_count()
        wrong = _wrong_samples(block)
        self.wrong_bits += bits
        self.wrong_samples += len(wrong)
        detail = (
            wrong[0] if wrong else f"block of sample {block.index}: base and first step only agree together"
        )
        self._findings.add("wrong_bits", detail, bits)


def _wrong_samples(block: BlockIn) -> list[str]:
    """Each sample of a block whose value is not the pattern's, in words."""
    columns = unpack_columns([block.body])
    wrong = []
    for offset, (torque, encoder) in enumerate(
        zip(columns.raw.tolist(), columns.encoder.tolist(), strict=True)
    ):
        n = block.index + offset
        if torque != pattern_torque(n):
            wrong.append(f"sample {n}: torque {torque} instead of {pattern_torque(n)}")
        elif encoder != pattern_encoder(n):
            wrong.append(f"sample {n}: encoder {encoder} instead of {pattern_encoder(n)}")
    return wrong
