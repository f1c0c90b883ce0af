"""What the samples take of the line."""

import math
from collections.abc import Iterator

from nightturn.errors import ConfigError
from nightturn.model.quantities import fixed
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import FixtureSettings
from nightturn_protocol.framing import frame_body, to_wire
from nightturn_protocol.messages import (
    BLOCK_ENCODER_BYTES,
    BLOCK_TORQUE_BYTES,
    WIRE_LOAD_PCT_MAX,
    Block,
    EncoderForm,
)

LINE_BITS_PER_BYTE = 10  # start, eight, stop
DELTA16_COUNTS_MAX = 32767


def wire_bytes_per_s(settings: FixtureSettings) -> float:
    """Bytes a second of BLOCK frames on the line, framing and delimiter included.

    The encoder travels as 16-bit deltas unless a step between two samples of the fastest phase needs more; such a
    block is sent as two halves.
    """
    plan = settings.plan
    fastest_rpm = max(
        phase.speed_rpm for phase in (plan.slow_turn, plan.hold, plan.exercise) if phase is not None
    )
    step = settings.encoder.counts_per_rev * fastest_rpm / 60 / settings.rate_hz
    blocks_per_s = settings.rate_hz / settings.samples_per_block
    if step <= DELTA16_COUNTS_MAX:
        return blocks_per_s * block_wire_bytes(settings.samples_per_block, EncoderForm.DELTA16)
    return (
        blocks_per_s * 2 * block_wire_bytes(math.ceil(settings.samples_per_block / 2), EncoderForm.OFFSET32)
    )


def block_wire_bytes(count: int, form: EncoderForm) -> int:
    """Bytes of one BLOCK of so many samples on the line, framing and delimiter included."""
    samples = bytes(count * (BLOCK_TORQUE_BYTES + BLOCK_ENCODER_BYTES[form]))
    block = Block(0, 0, 0, count, 0, form, 0, 0, 0, 0, b"\x01" * len(samples))
    return len(to_wire(frame_body(block, 1, 1)))


def wire_load_pct(settings: FixtureSettings) -> float | None:
    """The same in per cent of the declared line rate; None when none is declared."""
    if settings.line_baud is None:
        return None
    return wire_bytes_per_s(settings) * LINE_BITS_PER_BYTE / settings.line_baud * 100


def line_errors(settings: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    """A line that the samples would fill."""
    load = wire_load_pct(settings)
    if load is None or load <= WIRE_LOAD_PCT_MAX:
        return
    what = f"the samples fill {fixed(load, 0)} % of the line"
    yield place.mistake(
        "line_baud", what, f"at most {WIRE_LOAD_PCT_MAX} %: a faster line, or a lower rate_hz"
    )
