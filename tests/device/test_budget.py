"""Flash, RAM and stack of the images stay inside named limits, and nothing in them allocates or recurses."""

from pathlib import Path

import pytest
from tests.device.budget import MACHINES, budgets
from tests.device.build import built
from tests.device.callgraph import CallGraph, RecursionFoundError, deepest_stack
from tests.device.elf import read_image

HEAP = {
    "malloc",
    "_malloc_r",
    "calloc",
    "_calloc_r",
    "realloc",
    "_realloc_r",
    "free",
    "_free_r",
    "_sbrk",
    "sbrk",
}
NODE = 'node: {{ title: "{name}" label: "{name}\\nx.c:1:1\\n{size} bytes (static)" }}\n'
EDGE = 'edge: {{ sourcename: "{source}" targetname: "{target}" }}\n'


def graph_of(
    folder: Path, sizes: dict[str, int], calls: list[tuple[str, str]], linked: frozenset[str]
) -> CallGraph:
    text = "".join(NODE.format(name=name, size=size) for name, size in sizes.items())
    text += "".join(EDGE.format(source=source, target=target) for source, target in calls)
    (folder / "x.ci").write_text(text)
    return CallGraph.read(folder, frozenset({"main", "irq"}), linked)


@pytest.mark.parametrize("machine", MACHINES)
def test_an_image_stays_inside_its_budgets(machine: str) -> None:
    lines = budgets(machine)  # fails by itself when something recurses

    passed = [f"{line.what}: {line.used} bytes, the limit is {line.most}" for line in lines if not line.kept]

    assert not passed, "; ".join(passed)
    assert all(line.used > 0 for line in lines)


@pytest.mark.parametrize("machine", MACHINES)
def test_no_heap_is_linked(machine: str) -> None:
    image = read_image(built(f"{machine}.elf"))

    assert not HEAP & image.symbols.keys()
    assert "memcpy" in image.symbols  # so the names are those that the C library has


def test_the_deepest_path_counts_whatever_a_function_pointer_may_call(tmp_path: Path) -> None:
    sizes = {"main": 8, "short": 100, "long": 16, "end": 90, "pointed": 200, "left_out": 1000, "irq": 4}
    calls = [("main", "short"), ("main", "long"), ("long", "end"), ("end", "__indirect_call")]
    linked = frozenset(sizes) - {"left_out"}

    graph = graph_of(tmp_path, sizes, calls, linked)

    assert graph.depth("main") == 8 + 16 + 90 + 200
    assert deepest_stack(graph, "main", ("irq",)) == graph.depth("main") + 36 + 4 + 36


def test_recursion_is_found_however_long_the_way_round(tmp_path: Path) -> None:
    calls = [("main", "a"), ("a", "b"), ("b", "c"), ("c", "a")]

    graph = graph_of(tmp_path, dict.fromkeys(("main", "a", "b", "c", "irq"), 8), calls, frozenset())

    with pytest.raises(RecursionFoundError, match="main -> a -> b -> c -> a"):
        graph.depth("main")
