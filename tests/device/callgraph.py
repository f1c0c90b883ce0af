"""How deep a stack can get, from what gcc -fcallgraph-info=su wrote beside each object: calls, and bytes of each function.

The answer is a bound, not a measurement: every path that the source allows counts, whether a run takes it or not.
"""

import re
from dataclasses import dataclass, field
from pathlib import Path

# Functions that come without figures: memcpy and its like, and arithmetic that the processor lacks. The deepest of those
# linked here keeps 48 bytes (64-bit division, by its machine code).
LIBRARY_BYTES = 64
EXCEPTION_BYTES = 36  # what the processor pushes, and a word to align it (Armv7-M manual B1.5.6)

_NODE = re.compile(r'^node: \{ title: "([^"]+)" label: "[^"]*?\\n(\d+) bytes \((\w+)\)" \}', re.MULTILINE)
_EDGE = re.compile(r'^edge: \{ sourcename: "([^"]+)" targetname: "([^"]+)"', re.MULTILINE)
_INDIRECT = "__indirect_call"


class RecursionFoundError(Exception):
    """A function can be called from itself; the text is the way round."""


@dataclass(slots=True)
class CallGraph:
    """Who calls whom.

    Attributes:
        own_bytes: of the stack, by function.
        calls: by function.
    """

    own_bytes: dict[str, int] = field(default_factory=dict)
    calls: dict[str, set[str]] = field(default_factory=dict)
    _depths: dict[str, int] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path, roots: frozenset[str], linked: frozenset[str]) -> "CallGraph":
        """All objects below a folder. Where a function pointer is called, any linked function may follow that nobody
        calls by name and that is no root.

        Raises:
            AssertionError: nothing was found, or a function's use of the stack has no bound.
        """
        graph = cls()
        for path in sorted(folder.rglob("*.ci")):
            text = path.read_text(encoding="utf-8")
            for name, size, how in _NODE.findall(text):
                assert how in {"static", "dynamic,bounded"}, f"{name}: {how}"
                graph.own_bytes[name] = int(size)
            for source, target in _EDGE.findall(text):
                graph.calls.setdefault(source, set()).add(target)
        assert graph.own_bytes, f"no call graph below {folder}"
        called = set().union(*graph.calls.values())
        uncalled = graph.own_bytes.keys() - called - roots
        graph.calls[_INDIRECT] = {name for name in uncalled if name.rpartition(":")[2] in linked}
        return graph

    def depth(self, name: str, above: tuple[str, ...] = ()) -> int:
        """Bytes that a call of a function can take.

        Raises:
            RecursionFoundError: without a bound.
        """
        if name in above:
            raise RecursionFoundError(" -> ".join((*above, name)))
        if name not in self._depths:
            deepest = max((self.depth(each, (*above, name)) for each in self.calls.get(name, ())), default=0)
            own = 0 if name == _INDIRECT else self.own_bytes.get(name, LIBRARY_BYTES)
            self._depths[name] = own + deepest
        return self._depths[name]


def deepest_stack(graph: CallGraph, thread: str, interrupts: tuple[str, ...]) -> int:
    """Bytes of the stack when the deepest thread is interrupted by each interrupt in turn, and the last by a fault."""
    nested = sum(EXCEPTION_BYTES + graph.depth(name) for name in interrupts)
    return graph.depth(thread) + nested + EXCEPTION_BYTES
