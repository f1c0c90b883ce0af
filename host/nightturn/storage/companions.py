"""What a raw chunk says of the files sealed with it: their names, checksums within, and rows. It is written last of them.

So one that is lost, exchanged, renamed or added shows, whatever its dataset is; the manifest says up to where there are chunks.
"""

from collections.abc import Mapping, Sequence

import msgspec

KEY = "companions"


class Companion(msgspec.Struct, frozen=True):
    """One file beside a raw chunk; `name` is its file's, which carries the CRC-32C of its content."""

    dataset: str
    name: str
    rows: int


def companions_text(companions: Sequence[Companion]) -> str:
    """How they stand in the footer of the raw chunk."""
    return msgspec.json.encode(companions).decode()


def companions_of(facts: Mapping[str, str]) -> tuple[Companion, ...] | None:
    """The files that were sealed with a raw chunk; None when a version wrote it that did not say so."""
    return msgspec.json.decode(facts[KEY], type=tuple[Companion, ...]) if KEY in facts else None
