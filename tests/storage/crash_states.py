"""What a power cut may leave on disk: every cut of the recorded operations, folder entries and bytes not yet synced.

The model is that of the file system documentation, not of one file system: bytes are certain after a sync of the
file, names after a sync of the folder; what is not certain may be there in part, of each file another part: one may be whole
where another has nothing. Names come in the order they were made (journalling file systems keep it), a rename across folders as
an added name and a removed one.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import prod

from tests.storage.recording import Operation


class MemoryFiles:
    """`world.Files` in a dictionary."""

    def __init__(self, content: dict[str, bytes] | None = None) -> None:
        self.content = dict(content or {})

    def read(self, path: str) -> bytes:
        if path not in self.content:
            raise FileNotFoundError(path)
        return self.content[path]

    def append(self, path: str, content: bytes) -> None:
        self.content[path] = self.content.get(path, b"") + content

    def truncate(self, path: str, size: int) -> None:
        self.content[path] = self.read(path)[:size]

    def reserve(self, path: str, size: int) -> None:
        assert size > len(self.read(path))

    def sync(self, path: str) -> None:
        self.read(path)

    def replace(self, source: str, target: str) -> None:
        if source not in self.content:
            raise FileNotFoundError(source)
        self.content[target] = self.content.pop(source)

    def sync_dir(self, path: str) -> None:
        if not self.list(path):
            raise FileNotFoundError(path)

    def list(self, path: str) -> list[str]:
        below = [name[len(path) + 1 :] for name in self.content if name.startswith(path + "/")]
        return sorted({name.partition("/")[0] for name in below})

    def remove(self, path: str) -> None:
        del self.content[path]


TOGETHER_MAX = 200
"""Combinations of what may be found of several files; the order that is meant never leaves more than two files uncertain."""


class Walked:
    """How many states this process has looked at; `tests/conftest.py` adds it up over all workers and prints the sum."""

    states = 0


@dataclass(eq=False)
class _Body:
    """The bytes of a file, whatever its names."""

    content: bytes = b""
    durable: bytes = b""

    def variants(self, pieces: int) -> dict[bytes, str]:
        """What may be found of it, each once, and in words; what is not certain is cut into so many pieces."""
        rest = self.content[len(self.durable) :]
        if not rest:
            return {self.content: ""}
        if not self.content.startswith(self.durable):  # cut back since the last sync
            return {self.content: "all", self.durable: "nothing new"}
        cuts = [len(rest) * piece // pieces for piece in range(1, pieces)]
        found = {self.durable + rest[:cut]: f"{cut} of {len(rest)} new bytes" for cut in cuts}
        found[self.durable + bytes(len(rest))] = "zeros"
        return {**found, self.durable: "nothing new", self.content: "all"}


@dataclass
class Disk:
    """Names and bytes as the running system sees them, and what of them is certain."""

    names: dict[str, _Body] = field(default_factory=dict)
    certain: dict[str, _Body] = field(default_factory=dict)
    pending: list[tuple[str, _Body | None]] = field(default_factory=list)  # name -> body, or None for removed

    @classmethod
    def holding(cls, content: dict[str, bytes]) -> "Disk":
        """A disk on which these files are certain."""
        bodies = {name: _Body(whole, whole) for name, whole in content.items()}
        return cls(dict(bodies), dict(bodies))

    def after_a_process_died(self) -> MemoryFiles:
        """The system lives on: everything that was done is there."""
        Walked.states += 1
        return MemoryFiles({name: body.content for name, body in self.names.items()})

    def apply(self, operation: Operation) -> None:
        """Do what the operation does."""
        path = operation.path
        match operation.name:
            case "append":
                if path not in self.names:
                    self._name(path, _Body())
                self.names[path].content += operation.content
            case "truncate":
                self.names[path].content = self.names[path].content[: operation.size]
            case "sync":
                self.names[path].durable = self.names[path].content
            case "replace":
                self._name(operation.target, self.names[path])
                self._name(path, None)
            case "remove":
                self._name(path, None)
            case "sync_dir":
                due = [entry for entry in self.pending if entry[0].rpartition("/")[0] == path]
                self.pending = [entry for entry in self.pending if entry not in due]
                _put(self.certain, due)
            case other:
                raise AssertionError(other)

    def after_a_power_cut(self, pieces: int = 2) -> Iterator[tuple[str, MemoryFiles]]:
        """Everything that may be found, each once, with how it came about; new bytes of a file are cut into so many pieces."""
        for count in range(len(self.pending) + 1):
            names = dict(self.certain)
            _put(names, self.pending[:count])
            for bytes_found, content in _together(
                {name: body.variants(pieces) for name, body in names.items()}
            ):
                Walked.states += 1
                yield f"{count} of {len(self.pending)} names, {bytes_found}", MemoryFiles(content)

    def _name(self, path: str, body: _Body | None) -> None:
        _put(self.names, [(path, body)])
        self.pending.append((path, body))


def _together(variants: dict[str, dict[bytes, str]]) -> Iterator[tuple[str, dict[str, bytes]]]:
    """What may be found of several files at once: every combination, or of many files those in which one differs from all others."""
    rest = {name: next(reversed(found)) for name, found in variants.items()}
    uncertain = {name: tuple(found) for name, found in variants.items() if len(found) > 1}
    if prod(len(found) for found in uncertain.values()) <= TOGETHER_MAX:
        chosen = list(product(*uncertain.values()))
    else:
        ends = [tuple(found[end] for found in uncertain.values()) for end in (-1, -2)]
        one = [
            (*others[:place], found, *others[place + 1 :])
            for others in ends
            for place, each in enumerate(uncertain.values())
            for found in each
        ]
        chosen = list(dict.fromkeys(one))
    for found in chosen:
        content = {**rest, **dict(zip(uncertain, found, strict=True))}
        yield ", ".join(f"{variants[name][content[name]]} of {name}" for name in uncertain), content


def _put(names: dict[str, _Body], entries: Sequence[tuple[str, _Body | None]]) -> None:
    for path, body in entries:
        if body is None:
            names.pop(path, None)
        else:
            names[path] = body
