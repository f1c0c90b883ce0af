"""The core as a Cortex-M3 gets it: no heap, no recursion, a bounded stack under each function that a port calls."""

import re
import subprocess

import pytest
from tests.device.build import BUILD, DEVICE, built
from tests.device.callgraph import CallGraph

ENTRIES = re.findall(
    r"^[a-z].*\b(nt_device_\w+|nt_self_test)\(",
    (DEVICE / "core" / "nt_device.h").read_text(encoding="utf-8"),
    re.MULTILINE,
)
# What the C library and the compiler's own routines give it, and nothing else.
OUTSIDE = re.compile(r"memcpy|memmove|memset|memcmp|__aeabi_\w+")
# What the core keeps below a port's main loop, without what the port's own functions need; a few per cent of room.
STACK_BYTES_MAX = 640


@pytest.fixture(scope="module")
def graph() -> CallGraph:
    built("core-cortex-m3/core.o")
    return CallGraph.read(BUILD / "core-cortex-m3", frozenset(ENTRIES), frozenset())


def test_the_core_takes_nothing_from_outside_but_memory_and_arithmetic() -> None:
    symbols = subprocess.check_output(
        ["arm-none-eabi-nm", "--undefined-only", "--format=just-symbols", built("core-cortex-m3/core.o")],
        text=True,
    ).split()
    assert symbols
    assert [name for name in symbols if not OUTSIDE.fullmatch(name)] == []


def test_nothing_in_the_core_calls_itself(graph: CallGraph) -> None:
    assert len(graph.own_bytes) > 100
    for name in graph.own_bytes:
        graph.depth(name)  # RecursionFoundError otherwise


@pytest.mark.parametrize("entry", ENTRIES)
def test_the_stack_below_an_entry_is_bounded(entry: str, graph: CallGraph) -> None:
    assert entry in graph.own_bytes
    assert graph.depth(entry) <= STACK_BYTES_MAX, f"{entry}: {graph.depth(entry)} bytes"
