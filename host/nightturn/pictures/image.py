"""A matrix of opacities as a PNG in a data address: bare paper where there is nothing to see."""

import struct
import zlib
from base64 import b64encode

import numpy as np
import numpy.typing as npt

from nightturn.model.tiles import Float64s
from nightturn.pictures.paper import COLOURS, GROWN, LESS

STRIPE = 3
"""Every third column of what has become less is left bare, so that the two hues need not be told apart."""
LEVEL = 9


def png_address(strength: Float64s) -> str:
    """Cells (rows, columns) from -1, less than before, over 0, bare paper, to 1, grown; not a number is bare as well.

    The format is that of ISO/IEC 15948 (PNG), colour type 6; 20 lines of it spare a library with a build of its own for each machine.
    """
    cells = np.clip(np.nan_to_num(strength), -1.0, 1.0)
    pixels = np.zeros((*cells.shape, 4), np.uint8)
    for sign, ink in ((1, GROWN), (-1, LESS)):
        there = cells * sign > 0
        pixels[there, :3] = _rgb(ink)
    pixels[..., 3] = np.round(np.abs(cells) * 255).astype(np.uint8)
    pixels[..., 3][(cells < 0) & (np.arange(cells.shape[1]) % STRIPE == 0)] = 0
    return f"data:image/png;base64,{b64encode(_png(pixels)).decode()}"


def _rgb(ink: str) -> tuple[int, ...]:
    return tuple(bytes.fromhex(COLOURS[ink][1:]))


def _png(pixels: npt.NDArray[np.uint8]) -> bytes:
    height, width = pixels.shape[:2]
    rows = np.concatenate((np.zeros((height, 1), np.uint8), pixels.reshape(height, -1)), axis=1)
    head = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        _part(*each)
        for each in ((b"IHDR", head), (b"IDAT", zlib.compress(rows.tobytes(), LEVEL)), (b"IEND", b""))
    )


def _part(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
