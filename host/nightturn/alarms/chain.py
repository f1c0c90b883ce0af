"""The lines of the log of alarms: each carries the SHA-256 of itself and of the line before, so none can be changed, left out or put in unseen.

What a chain cannot show is that its end was cut off: for that somebody else has to keep the newest hash, which is why it is published
and printed (FIPS 180-4 for the hash; that a chain of hashes orders records is common practice, no source).
"""

import hashlib
import re

import msgspec

from nightturn.alarms.words import (
    Acknowledge,
    Audited,
    Begun,
    Moved,
    OutOfService,
    PutBack,
    SetAside,
    Sign,
)

FIRST = "0" * 64
"""The hash before the first line of all."""
FORMAT = 1
_HASHED = re.compile(rb'(\{.*),"sha256":"([0-9a-f]{64})"\}', re.DOTALL)


class Carried(msgspec.Struct, frozen=True, tag="carried"):
    """The first line of each file: the core's state as it was, so that a reader need not begin with the first file of all."""

    state: bytes
    version: str


Said = Begun | Sign | Acknowledge | SetAside | OutOfService | PutBack | Audited | Moved | Carried


class Line(msgspec.Struct, frozen=True, omit_defaults=True):
    """One line: its number, the hash of the line before, when it was said, UTC ns, and what."""

    n: int
    prev: str
    ts: int
    said: Said
    v: int = FORMAT


class BrokenChainError(Exception):
    """A line is not what was written, or not where; the text says which."""


_encode = msgspec.json.Encoder().encode
_decode = msgspec.json.Decoder(Line).decode


def sealed(line: Line) -> tuple[bytes, str]:
    """The line as it is written, with its newline, and its hash."""
    bare = _encode(line)
    digest = hashlib.sha256(bare).hexdigest()
    return bare[:-1] + b',"sha256":"%s"}\n' % digest.encode(), digest


def opened(text: bytes, n: int | None, prev: str | None) -> tuple[Line, str]:
    """The line in a text and its hash; `n` and `prev` are what it has to say of itself, None where nobody knows.

    Raises:
        BrokenChainError: it is none, was changed, or does not follow.
    """
    found = _HASHED.fullmatch(text.rstrip(b"\n"))
    if found is None:
        raise BrokenChainError("it carries no hash")
    bare, digest = found[1] + b"}", found[2].decode()
    if hashlib.sha256(bare).hexdigest() != digest:
        raise BrokenChainError("it was changed: its hash is another one")
    try:
        line = _decode(bare)
    except msgspec.MsgspecError as error:
        raise BrokenChainError(f"it cannot be read: {error}") from error
    if n is not None and line.n != n:
        raise BrokenChainError(f"it is line {line.n} where line {n} is due")
    if prev is not None and line.prev != prev:
        raise BrokenChainError("the line before it is another one than when it was written")
    return line, digest
