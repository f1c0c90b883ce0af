"""BLOCK frames as arrays, against a decoder that goes byte by byte."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import block_message

from nightturn.acquisition.blocks import Samples, unpack
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import Block, EncoderForm

TICKS = 100
INT24 = st.one_of(
    st.sampled_from([-(1 << 23), -1, 0, 1, (1 << 23) - 1]), st.integers(-(1 << 23), (1 << 23) - 1)
)


def scalar(bodies: list[bytes]) -> list[tuple[int, int, int, int, int, int]]:
    """Sample by sample in plain integers: index, tick, torque, encoder, flags, inputs."""
    rows = []
    for body in bodies:
        block = Block.decode(body[8:])
        encoder = block.encoder_base
        for i in range(block.count):
            torque = int.from_bytes(block.samples[3 * i : 3 * i + 3], "little", signed=True)
            width = 2 if block.encoder_form == EncoderForm.DELTA16 else 4
            at = 3 * block.count + width * i
            step = int.from_bytes(block.samples[at : at + width], "little", signed=True)
            encoder = encoder + step if width == 2 else block.encoder_base + step
            rows.append(
                (block.first_index + i, block.tick + TICKS * i, torque, encoder, block.flags, block.inputs)
            )
    return rows


def rows(samples: Samples) -> list[tuple[int, int, int, int, int, int]]:
    columns = (samples.index, samples.tick, samples.raw, samples.encoder, samples.flags, samples.inputs)
    return list(zip(*(column.tolist() for column in columns), strict=True))


@st.composite
def frames(draw: st.DrawFn) -> bytes:
    """Any BLOCK frame."""
    torque = draw(st.lists(INT24, min_size=1, max_size=12))
    form = draw(st.sampled_from(EncoderForm))
    widest = 32_767 if form == EncoderForm.DELTA16 else 1_000_000
    steps = draw(st.lists(st.integers(-widest, widest), min_size=len(torque) - 1, max_size=len(torque) - 1))
    encoder = np.cumsum([draw(st.integers(-(1 << 40), 1 << 40)), *steps], dtype=np.int64).tolist()
    index, tick = draw(st.integers(0, 1 << 60)), draw(st.integers(0, 1 << 60))
    flags, inputs = draw(st.integers(0, 127)), draw(st.integers(0, 0xFFFF))
    return frame_body(
        block_message(index, tick, torque, encoder, form=form, flags=flags, inputs=inputs), 7, 1
    )


@given(st.lists(frames(), min_size=1, max_size=8))
def test_any_mixture_of_blocks_is_unpacked_like_a_scalar_decoder_does(bodies: list[bytes]) -> None:
    assert rows(unpack(bodies, TICKS)) == scalar(bodies)


@given(st.lists(INT24, min_size=10, max_size=10))
def test_equal_blocks_are_unpacked_together_with_their_signs(torque: list[int]) -> None:
    bodies = [frame_body(block_message(10 * n, 1000 * n, torque, list(range(10))), 7, n) for n in range(5)]
    samples = unpack(bodies, TICKS)
    assert samples.raw.tolist() == torque * 5
    assert rows(samples) == scalar(bodies)


def test_the_columns_have_the_types_of_tiles() -> None:
    body = frame_body(block_message(0, 0, [1] * 10, [0] * 10), 7, 0)
    for samples in (unpack([body], TICKS), unpack([], TICKS)):
        names = ("index", "tick", "raw", "encoder", "flags", "inputs")
        kinds = [getattr(samples, name).dtype.str.lstrip("<|") for name in names]
        assert kinds == ["i8", "i8", "i4", "i8", "u1", "u2"]
    assert len(unpack([], TICKS).raw) == 0


@pytest.mark.parametrize("change", ["cut", "longer", "empty", "form"])
def test_a_body_that_is_no_block_is_refused(change: str) -> None:
    good = frame_body(block_message(0, 0, [1] * 10, [0] * 10), 7, 0)
    form = bytearray(good)
    form[8 + 27] = 9
    bad = {"cut": good[:-1], "longer": good + b"\0", "empty": b"", "form": bytes(form)}[change]
    with pytest.raises(ValueError, match="BLOCK"):
        unpack([good, bad], TICKS)
