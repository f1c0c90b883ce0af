"""What a raw chunk says of the files sealed with it: their names, checksums within, and rows. It is written last of them.

So one that is lost, exchanged, renamed or added shows, whatever its dataset is; the manifest says up to where there are chunks.
A file that was joined from several (`storage.joining`) says of which, in their order, with the same words.
"""

from collections.abc import Mapping, Sequence

import msgspec

KEY = "companions"
PARTS = "parts"


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


def parts_of(facts: Mapping[str, str]) -> tuple[Companion, ...]:
    """The files that a file was joined from, in the order of its rows; none for one as it was sealed."""
    return msgspec.json.decode(facts[PARTS], type=tuple[Companion, ...]) if PARTS in facts else ()
