"""Which stream a test asks of a device: the rate that was wanted, or the highest that its sheet and the line allow."""

from dataclasses import dataclass

from nightturn.acquisition.handshake import LinkSettings
from nightturn.errors import ConfigError
from nightturn.model.quantities import fixed
from nightturn.outlook.wire_outlook import LINE_BITS_PER_BYTE, block_wire_bytes
from nightturn_protocol.messages import BLOCK_SAMPLES_MIN, WIRE_LOAD_PCT_MAX, EncoderForm, Stream
from nightturn_protocol.sheet import DeviceSheet

BLOCK_SAMPLES = 100
BLOCKS_PER_S_MIN = 10  # a block spans at most 100 ms
STATUS_MS = 100


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a person asked for.

    Attributes:
        seconds: how long the pattern streams.
        rate_hz: None leaves the choice to `stream_for`.
        line_baud: bit rate of the line.
        declared: the bit rate was given, so that a stream beyond it is refused; else it only guides the choice.
    """

    seconds: float
    rate_hz: int | None
    line_baud: int
    declared: bool


def samples_per_block(rate_hz: int) -> int:
    """As many as usual, fewer at rates where they would span more than 100 ms."""
    return min(BLOCK_SAMPLES, rate_hz // BLOCKS_PER_S_MIN)


def load_pct(rate_hz: int, line_baud: int) -> float:
    """How much of a line the stream fills; steps of the pattern fit into 16 bits."""
    count = samples_per_block(rate_hz)
    bytes_per_s = rate_hz / count * block_wire_bytes(count, EncoderForm.DELTA16)
    return bytes_per_s * LINE_BITS_PER_BYTE / line_baud * 100


def stream_for(sheet: DeviceSheet, wanted: Wanted) -> LinkSettings:
    """The PATTERN stream to set up.

    Raises:
        ConfigError: the device does not have this rate, the line cannot carry it, or no rate fits.
    """
    lowest = BLOCK_SAMPLES_MIN * BLOCKS_PER_S_MIN
    usable = sorted(rate for rate in sheet.rates_hz if rate >= lowest and sheet.tick_hz % rate == 0)
    named = (
        ", ".join(map(str, usable)) or f"none: rates from {lowest} on that divide tick_hz = {sheet.tick_hz}"
    )
    if wanted.rate_hz is not None and wanted.rate_hz not in usable:
        raise ConfigError(f"the device does not sample at {wanted.rate_hz} Hz", where="--rate", allowed=named)
    most = WIRE_LOAD_PCT_MAX
    if wanted.rate_hz is not None:
        load = load_pct(wanted.rate_hz, wanted.line_baud)
        if wanted.declared and load > most:
            what = f"{wanted.rate_hz} Hz fill {fixed(load, 0)} % of a line of {wanted.line_baud} baud"
            raise ConfigError(
                what, where="--rate", allowed=f"at most {most} %: a lower rate or a faster line"
            )
        return _pattern(wanted.rate_hz)
    fitting = [rate for rate in usable if load_pct(rate, wanted.line_baud) <= most]
    if not fitting:
        what = f"no rate of the device's sheet fits into {most} % of a line of {wanted.line_baud} baud"
        raise ConfigError(what, where="--baud", allowed=f"a line for one of these rates: {named}")
    return _pattern(fitting[-1])


def _pattern(rate_hz: int) -> LinkSettings:
    return LinkSettings(
        rate_millihz=rate_hz * 1000,
        samples_per_block=samples_per_block(rate_hz),
        status_ms=STATUS_MS,
        stream=Stream.PATTERN.value,
    )
