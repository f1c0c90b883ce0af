"""BLOCK frames as arrays: planar 24-bit torque and encoder deltas or offsets, many frames at once."""

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby

import msgspec
import numpy as np
import numpy.typing as npt

from nightturn.model.tiles import Int32s, Int64s, UInt8s, UInt16s
from nightturn_protocol.framing import HEADER
from nightturn_protocol.messages import BLOCK_HEADER, EncoderForm

KIND_AT = 1  # of a frame's body
SAMPLES_AT = HEADER.size + BLOCK_HEADER.size
# bytes of one sample, torque and encoder, by encoder form; 0 marks a form this host does not know
SAMPLE_BYTES = [0] * 256
SAMPLE_BYTES[EncoderForm.DELTA16] = 3 + 2
SAMPLE_BYTES[EncoderForm.OFFSET32] = 3 + 4
_COUNT_AND_FORM_AT = HEADER.size + 24
_COUNT_AND_FORM = slice(_COUNT_AND_FORM_AT, _COUNT_AND_FORM_AT + 4)


class Samples(msgspec.Struct, frozen=True):
    """Samples of one or more blocks, in the order given.

    Attributes:
        index: device sample number.
        tick: device clock; inside a block `ticks_per_sample` apart.
        raw: torque, ADC counts.
        encoder: unwrapped encoder counts.
        flags: `SampleFlag` bits of the sample's block.
        inputs: input word of the sample's block.
    """

    index: Int64s
    tick: Int64s
    raw: Int32s
    encoder: Int64s
    flags: UInt8s
    inputs: UInt16s


class Columns(msgspec.Struct, frozen=True):
    """`Samples` without their numbers and ticks, for blocks that are known to follow each other."""

    raw: Int32s
    encoder: Int64s
    flags: UInt8s
    inputs: UInt16s


def unpack_columns(bodies: Sequence[bytes]) -> Columns:
    """What these BLOCK frames hold but index and tick; at least one frame.

    Raises:
        ValueError: a body is not a whole BLOCK frame.
    """
    if _alike(bodies):
        shape = _shape(bodies[0])
        return _columns(_frames(bodies, shape), *shape)
    runs = [_columns(_frames(list(run), shape), *shape) for shape, run in groupby(bodies, _shape)]
    return Columns(
        np.concatenate([run.raw for run in runs]),
        np.concatenate([run.encoder for run in runs]),
        np.concatenate([run.flags for run in runs]),
        np.concatenate([run.inputs for run in runs]),
    )


def unpack(bodies: Sequence[bytes], ticks_per_sample: int) -> Samples:
    """All samples of these BLOCK frames (header and payload, no CRC), decoded once per run of equal blocks.

    Raises:
        ValueError: a body is not a whole BLOCK frame.
    """
    if bodies and _alike(bodies):
        return _unpack_run(bodies, _shape(bodies[0]), ticks_per_sample)
    runs = [_unpack_run(list(run), shape, ticks_per_sample) for shape, run in groupby(bodies, _shape)]
    return joined(runs)


def joined(parts: Sequence[Samples]) -> Samples:
    """Samples one after the other; none of no parts."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return _NOTHING
    return Samples(
        np.concatenate([part.index for part in parts]),
        np.concatenate([part.tick for part in parts]),
        np.concatenate([part.raw for part in parts]),
        np.concatenate([part.encoder for part in parts]),
        np.concatenate([part.flags for part in parts]),
        np.concatenate([part.inputs for part in parts]),
    )


def cut(samples: Samples, begin: int, end: int) -> Samples:
    """Those from one position to before another."""
    here = slice(begin, end)
    return Samples(
        samples.index[here],
        samples.tick[here],
        samples.raw[here],
        samples.encoder[here],
        samples.flags[here],
        samples.inputs[here],
    )


def samples_in(body: bytes) -> int:
    """How many samples a body holds; 0 when it is not a whole BLOCK frame."""
    try:
        return _shape(body)[0]
    except ValueError:
        return 0


def _alike(bodies: Sequence[bytes]) -> bool:
    """Whether all blocks have the length, count and form of the first: the common case, told without decoding."""
    first = bodies[0]
    length, head, n = len(first), first[_COUNT_AND_FORM], len(bodies)
    same_length = [len(body) for body in bodies].count(length) == n
    return same_length and [body[_COUNT_AND_FORM] for body in bodies].count(head) == n


def _shape(body: bytes) -> tuple[int, int]:
    """Count and encoder form of a block; its length must fit them exactly."""
    if len(body) <= SAMPLES_AT:
        raise ValueError(f"a body of {len(body)} bytes is not a BLOCK frame")
    count = int.from_bytes(body[_COUNT_AND_FORM_AT : _COUNT_AND_FORM_AT + 2], "little")
    form = body[_COUNT_AND_FORM_AT + 3]
    if not SAMPLE_BYTES[form] or len(body) != SAMPLES_AT + count * SAMPLE_BYTES[form]:
        raise ValueError(f"a BLOCK frame of {len(body)} bytes does not hold {count} samples of form {form}")
    return count, form


@lru_cache(maxsize=64)
def _layout(count: int, form: int) -> np.dtype[np.void]:
    """One BLOCK frame as a structured type."""
    encoder = "<i2" if form == EncoderForm.DELTA16 else "<i4"
    return np.dtype(
        [
            ("header", "V", HEADER.size),
            ("first_index", "<i8"),
            ("tick", "<i8"),
            ("encoder_base", "<i8"),
            ("count", "<u2"),
            ("stream", "u1"),
            ("encoder_form", "u1"),
            ("flags", "<u2"),
            ("config_epoch", "<u2"),
            ("inputs", "<u2"),
            ("reserved", "<u2"),
            ("torque", "u1", (count, 3)),
            ("encoder", encoder, (count,)),
        ]
    )


def _unpack_run(bodies: Sequence[bytes], shape: tuple[int, int], ticks_per_sample: int) -> Samples:
    """Blocks that all have the same shape."""
    frames = _frames(bodies, shape)
    columns = _columns(frames, *shape)
    offsets = np.arange(shape[0], dtype=np.int64)
    index = frames["first_index"][:, None] + offsets
    tick = frames["tick"][:, None] + offsets * ticks_per_sample
    return Samples(index.ravel(), tick.ravel(), columns.raw, columns.encoder, columns.flags, columns.inputs)


def _frames(bodies: Sequence[bytes], shape: tuple[int, int]) -> npt.NDArray[np.void]:
    return np.frombuffer(b"".join(bodies), dtype=_layout(*shape))


def _columns(frames: npt.NDArray[np.void], count: int, form: int) -> Columns:
    return Columns(
        _torque(frames, count, form),
        _encoder(frames["encoder"], frames["encoder_base"], form),
        frames["flags"].astype(np.uint8).repeat(count),
        frames["inputs"].astype(np.uint16).repeat(count),
    )


def _torque(frames: npt.NDArray[np.void], count: int, form: int) -> Int32s:
    """24-bit two's complement, little-endian, as int32.

    Each is read with the byte before it, which lies in the same frame, as the upper three bytes of an int32, and then
    shifted down with its sign.
    """
    layout = _layout(count, form)
    before = layout.fields["torque"][1] - 1  # type: ignore[index]  # a structured type has fields
    wide = np.ndarray((len(frames), count), "<i4", frames.view(np.uint8), before, (layout.itemsize, 3))
    return (wide >> 8).astype(np.int32, copy=False).ravel()


def _encoder(values: npt.NDArray[np.int16] | npt.NDArray[np.int32], base: Int64s, form: int) -> Int64s:
    """Unwrapped counts from deltas to the previous sample or from offsets to the base."""
    offsets = (
        values.cumsum(axis=1, dtype=np.int64) if form == EncoderForm.DELTA16 else values.astype(np.int64)
    )
    return (offsets + base[:, None]).ravel()


_NOTHING = Samples(
    np.zeros(0, np.int64),
    np.zeros(0, np.int64),
    np.zeros(0, np.int32),
    np.zeros(0, np.int64),
    np.zeros(0, np.uint8),
    np.zeros(0, np.uint16),
)
