"""What a reader relies on and no other tool checks: sizes, dead modules, stale words in the documents."""

import ast
import importlib
import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.check import LIVE, real_time
from tests.conftest import LONGEST_FIRST

ROOT = Path(__file__).resolve().parent.parent
MODULE_LINES_MAX = 400
# A page break in the middle of one thought is worse than a long page; each with its reason.
LONGER = {
    "host/nightturn/bench/station.py": (
        475,
        "one step of the tape with all that can go wrong in it, read as a whole",
    ),
}
FUNCTION_LINES_MAX = 50
STOPS_MIN = 7

BUILT = ROOT / "protocol" / "device" / "build"  # what make leaves behind
TREES = ("host", "protocol", "tests", "examples", "replay_logs", "requirements", ".ci")
TEXTS = {".py", ".pyi", ".md", ".toml", ".txt", ".json", ".jsonl", ".h", ".c", ""}
GENERATED = {
    "protocol/nightturn_protocol/messages.py"
}  # one dataclass a message, from the definition; nobody edits it
NOT_ROOMS = {
    "benchmarks",
    "device",
    "protocol",
    "simulation",
}  # tables to print; the firmware; the package beside host/; whole stations

# What starts by name, without an import in a module: commands, the generators, a child process.
STARTED = (
    "nightturn.cli",
    "nightturn",
    "generate",
    "device.sheet",
    "device.ports.mps2.stamp",
    "nightturn.demo.amqtt_child",
)

# Public, and used by no product code; each with its reason.
PUBLISHED = "one of the bridge equations, held as a set to published values; the shunt's step is one of them"
UNUSED = {
    **dict.fromkeys(
        (
            "nightturn.calibration.bridge.half_bridge_mv_per_v",
            "nightturn.calibration.bridge.opposite_arms_mv_per_v",
            "nightturn.calibration.bridge.quarter_bridge_mv_per_v",
            "nightturn.calibration.bridge.shunt_ohm_for_strain",
            "nightturn.calibration.bridge.shunt_strain",
            "nightturn.calibration.bridge.torque_bridge_mv_per_v",
        ),
        PUBLISHED,
    ),
    "nightturn.virtual.device.VirtualDevice.next_due_ns": "lets a program without an event loop drive the virtual device",
    "nightturn.virtual.friction.bristle": "ties the friction model's constants to the published step response",
}
PHASES = {"stand", "slow_turn", "hold", "exercise", "return"}


# What a module under protocol/ may import besides the standard library: two packages, and its neighbours there.
BESIDE_THE_WIRE = {"cobs", "crc32c", "nightturn_protocol", "generator", "device"}

# Letters in brackets keep these patterns from finding themselves.
UNFINISHED = re.compile(r"\b(TOD[O]|FIXM[E]|XX[X]|NotImplemente[d]Error)\b")
HOSTS = re.compile(
    r"pythonhoste[d]|pyp[i]\.(org|python)|npmj[s]\.|debia[n]\.org|rubygem[s]\.|crate[s]\.io|registr[y]\."
)
PLACES = re.compile(r"(?<![\w.])/(wor[k]|roo[t]|hom[e]/\w|User[s]/\w|tm[p]/[a-z])(/|\b)|\.pyen[v]\b")


def files() -> Iterator[Path]:
    """Every text of the repository, whether committed yet or not."""
    tops = (
        path for path in ROOT.iterdir() if path.is_file() and path.name != ".git"
    )  # a worktree has such a file
    for path in [*tops, *(path for tree in TREES for path in (ROOT / tree).rglob("*"))]:
        made = "__pycache__" in path.parts or BUILT in path.parents
        if path.is_file() and path.suffix in TEXTS and not made:
            yield path


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


FILES = sorted(files())
MODULES = [path for path in FILES if path.suffix == ".py"]
PRODUCT = [path for path in MODULES if path.relative_to(ROOT).parts[0] in {"host", "protocol"}]
DOCUMENTS = [path for path in FILES if path.suffix == ".md"]


def import_name(path: Path) -> str:
    """Under which name Python knows a module of host/ or protocol/."""
    inside = path.relative_to(ROOT / path.relative_to(ROOT).parts[0]).with_suffix("")
    parts = inside.parts[:-1] if inside.name == "__init__" else inside.parts
    return ".".join(parts)


def imports_of(tree: ast.AST) -> Iterator[str]:
    """Every dotted name that a module imports."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def words_of(tree: ast.AST) -> Iterator[str]:
    """Every dotted name that a module imports, or holds as a text to import later."""
    yield from imports_of(tree)
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value


def prose(document: Path) -> str:
    """A document without its fenced blocks."""
    return re.sub(r"^```.*?^```", "", document.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


def test_modules_and_their_functions_fit_on_their_pages() -> None:
    """All in one test, as the others of this file: a thousand tests of a millisecond cost every worker a second to collect."""
    long = []
    for path in MODULES:
        if name_of(path) in GENERATED:
            continue
        text = path.read_text(encoding="utf-8")
        if (lines := text.count("\n")) > LONGER.get(name_of(path), (MODULE_LINES_MAX, ""))[0]:
            long.append(f"{name_of(path)}: {lines} lines")
        long += [
            f"{name_of(path)}: {node.name}: {length} lines"
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
            and (length := (node.end_lineno or 0) - node.lineno + 1) > FUNCTION_LINES_MAX
        ]

    assert len(MODULES) > len(PRODUCT) > len(GENERATED)
    assert not long, "\n".join(long)


def test_a_longer_page_is_still_longer_than_the_rule() -> None:
    for name, (lines_max, reason) in LONGER.items():
        assert MODULE_LINES_MAX < (ROOT / name).read_text(encoding="utf-8").count("\n") <= lines_max
        assert reason


def test_every_module_is_reached_from_something_that_starts() -> None:
    modules = {import_name(path): path for path in PRODUCT}
    reached: set[str] = set()
    waiting = [name for name in STARTED if name in modules]
    assert len(waiting) == len(STARTED)
    while waiting:
        name = waiting.pop()
        if name in reached:
            continue
        reached.add(name)
        tree = ast.parse(modules[name].read_text(encoding="utf-8"))
        waiting += [word for word in words_of(tree) if word in modules]
    packages = {name for name, path in modules.items() if path.name == "__init__.py"}
    dead = sorted(set(modules) - reached - packages)

    assert not dead, ", ".join(dead)


def names_used(tree: ast.AST) -> Iterator[str]:
    """Every name that a piece of code reads: names, attributes, and what an import calls differently."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.alias) and node.asname:
            yield node.name.rpartition(".")[2]


def public_definitions(body: list[ast.stmt]) -> Iterator[tuple[str, ast.stmt]]:
    """Public functions and classes with their public methods, by qualified name."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and node.name[0] != "_":
            yield node.name, node
            if isinstance(node, ast.ClassDef):
                yield from ((f"{node.name}.{name}", inner) for name, inner in public_definitions(node.body))


def unused(trees: dict[str, ast.Module], doors: set[str]) -> Iterator[str]:
    """Public names that nothing but their own body reads; a door also hands on what its texts name.

    By name alone: one that shares its name with something used is passed over, none is accused wrongly.
    """
    used: Counter[str] = Counter()
    for module, tree in trees.items():
        used.update(names_used(tree))
        if module in doors:
            used.update(str(node.value) for node in ast.walk(tree) if isinstance(node, ast.Constant))
    for module, tree in trees.items():
        for dotted, node in public_definitions(tree.body):
            name = dotted.rpartition(".")[2]
            if used[name] <= Counter(names_used(node))[name]:
                yield f"{module}.{dotted}"


def test_everything_public_is_used_by_the_product_and_not_by_tests_only() -> None:
    trees = {import_name(path): ast.parse(path.read_text(encoding="utf-8")) for path in PRODUCT}
    found = set(unused(trees, {"nightturn"}))

    assert sorted(found - set(UNUSED)) == []
    assert sorted(set(UNUSED) - found) == []  # an exception that has become a use is none any more
    assert all(UNUSED.values())


def test_what_nothing_uses_is_found_and_what_is_used_is_not() -> None:
    source = """
class Kept:
    def used(self): return self.used_too()
    def used_too(self): return 1
    def alone(self): return self.alone()
def door(): return Kept().used()
def dead(): return dead()
"""
    trees = {"room": ast.parse(source), "nightturn": ast.parse('LAZY = {"door": 1}')}

    assert sorted(unused(trees, {"nightturn"})) == ["room.Kept.alone", "room.dead"]
    assert "room.door" in set(unused(trees, set()))


def test_the_words_of_the_phases_are_written_once() -> None:
    written = [
        f"{name_of(path)}:{node.lineno}: {node.value}"
        for path in PRODUCT
        if import_name(path) != "nightturn.model.phases"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and node.value in PHASES
    ]

    assert not written, "; ".join(written)


def test_the_wire_and_its_tools_stand_without_the_host() -> None:
    wire = [path for path in PRODUCT if name_of(path).startswith("protocol/")]
    strange = []
    for path in wire:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        tops = {word.split(".")[0] for word in imports_of(tree)}
        strange += [f"{name_of(path)}: {top}" for top in tops - sys.stdlib_module_names - BESIDE_THE_WIRE]

    assert wire
    assert not strange, "\n".join(strange)


def test_real_time_passes_in_one_place_of_the_tests() -> None:
    sleeps = re.compile(r"\btime\.slee[p]\(|from time import .*slee[p]")
    benches = ROOT / "tests" / "benchmarks"
    tests = [path for path in MODULES if name_of(path).startswith("tests/") and benches not in path.parents]

    found = [name_of(path) for path in tests if sleeps.search(path.read_text(encoding="utf-8"))]

    assert found == ["tests/waiting.py"]


def test_every_folder_of_tests_mirrors_a_room() -> None:
    rooms = {path.name for path in (ROOT / "host" / "nightturn").iterdir() if path.is_dir()}
    folders = {path.name for path in (ROOT / "tests").iterdir() if path.is_dir() and path.name[0] not in "._"}

    strange = sorted(folders - rooms - NOT_ROOMS)

    assert not strange, ", ".join(strange)


def test_packages_hand_on_nothing() -> None:
    doors = [path for path in PRODUCT if path.name == "__init__.py"]
    handing_on = [
        name_of(path)
        for path in doors
        if import_name(path) not in STARTED
        and len(ast.parse(path.read_text(encoding="utf-8")).body) > 1  # more than the docstring
    ]

    assert not handing_on, ", ".join(handing_on)


@pytest.mark.parametrize(
    "pattern", [UNFINISHED, HOSTS, PLACES], ids=["unfinished work", "registry hosts", "places of one machine"]
)
def test_nothing_is_left_in_the_texts(pattern: re.Pattern[str]) -> None:
    left = [
        f"{name_of(path)}:{number}: {line.strip()[:100]}"
        for path in FILES
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if pattern.search(line)
    ]

    assert not left, "\n".join(left)


def test_documents_have_one_title_and_name_files_that_exist() -> None:
    tops = "|".join(re.escape(tree) for tree in TREES)
    wrong = []
    for path in DOCUMENTS:
        text = prose(path)
        named = re.findall(rf"`((?:{tops})/[\w.*/-]*|[A-Z]+\.md|pyproject\.toml)`", text)
        wrong += [f"{name_of(path)}: no {name}" for name in named if not any(ROOT.glob(name.rstrip("/")))]
        if (titles := len(re.findall(r"^# ", text, flags=re.MULTILINE))) != 1:
            wrong.append(f"{name_of(path)}: {titles} titles")

    assert DOCUMENTS
    assert not wrong, "\n".join(wrong)


def test_files_that_the_groups_of_tests_go_by_exist() -> None:
    """A name that went stale would run its tests beside others, or in no good order, and nobody would see it."""
    missing = [
        name for name in (*LIVE, *(f"tests/{name}" for name in LONGEST_FIRST)) if not (ROOT / name).exists()
    ]

    assert not missing, ", ".join(missing)


def test_the_tests_that_run_last_are_marked_in_their_own_files() -> None:
    """`tests/check.py` finds them by that text: a marker that comes from another module would run in no group at all."""
    marked = real_time().words

    assert marked
    assert all(Path(name).name.startswith("test_") for name in marked), marked


def dotted_names(title: str) -> list[str]:
    """The dotted names of rooms and what is in them in one page of DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(rf"^## {title}$(.*?)^## ", text, flags=re.MULTILINE | re.DOTALL)
    assert section is not None
    names = re.findall(r"`([a-z]\w*(?:\.\w+)+)`", section[1])
    return [name for name in names if not name.startswith("protect.") and not name.endswith(".c")]


def path_of_a_sample() -> list[str]:
    """What the page names that follows a sample."""
    return dotted_names("The path of a sample")


def found(dotted: str) -> object:
    """What a dotted name of a room stands for; raises when there is no such module or attribute."""
    parts = dotted.split(".")
    package = parts[0] if parts[0] == "nightturn_protocol" else f"nightturn.{parts[0]}"
    thing: object = importlib.import_module(package)
    place = package
    for part in parts[1:]:
        place = f"{place}.{part}"
        if not hasattr(thing, part):
            importlib.import_module(place)
        thing = getattr(thing, part)
    return thing


@pytest.mark.parametrize("dotted", path_of_a_sample())
def test_the_path_of_a_sample_names_functions_that_exist(dotted: str) -> None:
    assert callable(found(dotted))


@pytest.mark.parametrize("dotted", dotted_names("Where each limit is enforced"))
def test_the_table_of_limits_names_what_exists(dotted: str) -> None:
    assert found(dotted) is not None


def test_the_path_of_a_sample_has_all_its_stops() -> None:
    assert len(path_of_a_sample()) >= STOPS_MIN
