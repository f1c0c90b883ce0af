"""The names that scripts rely on, and what asking for them costs."""

import ast
import subprocess
import sys
from pathlib import Path

import nightturn

NAMES_MAX = 12
HEAVY = ("numpy", "scipy", "pandas", "pyarrow")
HOUSE = Path(nightturn.__file__).parent


def literal_all(path: Path) -> list[str]:
    """The names of `__all__`, read from the text; anything computed raises ValueError."""
    found = [
        node.value
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and any(ast.unparse(target) == "__all__" for target in node.targets)
    ]
    assert len(found) == 1
    names = ast.literal_eval(found[0])
    assert isinstance(names, list)
    return names


def after_import(statement: str) -> set[str]:
    """Which heavy packages a fresh interpreter holds after one statement."""
    script = f"import sys\n{statement}\nprint(*[name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(run.stdout.split())


def test_the_list_of_names_is_a_short_literal() -> None:
    names = literal_all(HOUSE / "__init__.py")

    assert len(names) <= NAMES_MAX
    assert names == sorted(set(names))


def test_every_name_can_be_had_and_no_other() -> None:
    for name in nightturn.__all__:
        assert getattr(nightturn, name) is not None
    assert not hasattr(nightturn, "no_such_name")


def test_type_checkers_read_the_same_names() -> None:
    assert literal_all(HOUSE / "__init__.pyi") == literal_all(HOUSE / "__init__.py")


def test_importing_nightturn_loads_nothing_heavy() -> None:
    assert after_import("import nightturn") == set()


def test_the_measure_of_weight_sees_what_is_heavy() -> None:
    assert "numpy" in after_import("import numpy")


def test_what_a_script_catches_costs_nothing_heavy() -> None:
    assert after_import("import nightturn; nightturn.NightturnError") == set()
