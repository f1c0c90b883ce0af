"""A JSON object on a line of its own that carries the checksum of its text, for files that are only ever appended to."""

import re

import msgspec
from crc32c import crc32c

_SIGNED = re.compile(rb'(\{.*),"crc32c":"([0-9a-f]{8})"\}', re.DOTALL)


def with_checksum(line: bytes) -> bytes:
    """The object with its CRC-32C as last key; `line` has at least one key and no newline."""
    return line[:-1] + b',"crc32c":"%08x"}' % crc32c(line)


def checked(line: bytes) -> tuple[bytes, bool]:
    """The object without its checksum, and whether it had one; a line written by hand, or before there were any, has none.

    Raises:
        msgspec.DecodeError: the text is not that of the checksum.
    """
    found = _SIGNED.fullmatch(line.strip())
    if found is None:
        return line, False
    bare = found[1] + b"}"
    if crc32c(bare) != int(found[2], 16):
        raise msgspec.DecodeError("the line fails its checksum")
    return bare, True
