"""What speaks against a device or its line: each kind with its number and its first case in words."""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Finding:
    """One kind of mistake.

    Attributes:
        kind: a word for machines.
        count: how often.
        detail: the first case, a sentence.
    """

    kind: str
    count: int
    detail: str


class Findings:
    """Mistakes by kind; bounded, because a kind is kept once."""

    def __init__(self) -> None:
        self._by_kind: dict[str, Finding] = {}

    def add(self, kind: str, detail: str, count: int = 1) -> None:
        """Count a mistake; the first of its kind is told in words."""
        seen = self._by_kind.get(kind)
        self._by_kind[kind] = (
            Finding(kind, count, detail) if seen is None else replace(seen, count=seen.count + count)
        )

    def all(self) -> tuple[Finding, ...]:
        """Every kind, in the order in which the first of each was found."""
        return tuple(self._by_kind.values())
