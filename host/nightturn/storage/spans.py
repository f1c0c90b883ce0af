"""Stretches of time: first and last, both in it, UTC ns; None where there is no time."""

from collections.abc import Sequence
from typing import TypeAlias

from nightturn.storage.chunk_file import ChunkFile

Span: TypeAlias = tuple[int, int] | None


def pair(first: int | None, last: int | None) -> Span:
    """Both, or neither."""
    return None if first is None or last is None else (first, last)


def whole(found: Sequence[tuple[ChunkFile, Span]]) -> Span:
    """From the first time to the last."""
    known = [span for _, span in found if span is not None]
    return (min(first for first, _ in known), max(last for _, last in known)) if known else None


def moved(span: Span, by_ns: int) -> Span:
    """The same, by so much later."""
    return (span[0] + by_ns, span[1] + by_ns) if span is not None else None


def overlaps(span: Span, start_ns: int, stop_ns: int) -> bool:
    """Whether anything of it is in [start, stop)."""
    return span is not None and span[0] < stop_ns and span[1] >= start_ns
