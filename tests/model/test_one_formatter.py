"""What people read has one formatter for numbers: no module of the host formats a float by itself."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

HOST = Path(__file__).resolve().parents[2] / "host" / "nightturn"
EXCEPT = {
    "model/quantities.py": "it is the formatter",
}
"""Folder or module -> why the rule does not hold there; whatever is new is not among them."""
TEMPLATE = re.compile(r"\{\w*:[^{}%]*[eEfFgG%]\}")
FLOAT = re.compile(r"[eEfFgG%]$")


def modules() -> list[Path]:
    """Every module of the host without the exceptions."""
    spared = [HOST / name for name in EXCEPT]
    return sorted(
        path
        for path in HOST.rglob("*.py")
        if not any(path == place or place in path.parents for place in spared)
    )


def formats_of(source: str) -> Iterator[str]:
    """Each place that formats a float: in an f-string, by `format` as method or function, by the old operator."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
            spec = ast.unparse(node.format_spec)[2:-1]
            if FLOAT.search(spec) and "%" not in spec[:-1]:  # a time has its own letters
                yield f"line {node.lineno}: {{{ast.unparse(node.value)}:{spec}}}"
        elif (
            isinstance(node, ast.BinOp)
            and isinstance(node.op, ast.Mod)
            and isinstance(node.left, ast.Constant)
        ):
            if isinstance(node.left.value, str):
                yield f"line {node.lineno}: {node.left.value!r} %"
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "format":
            if len(node.args) > 1 and FLOAT.search(ast.unparse(node.args[1]).strip("'\"")):
                yield f"line {node.lineno}: {ast.unparse(node)}"
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and TEMPLATE.search(node.value):
            yield f"line {node.lineno}: {node.value!r}"


def test_no_module_formats_a_float_by_itself() -> None:
    found = [
        f"{path.relative_to(HOST).as_posix()}: {each}"
        for path in modules()
        for each in formats_of(path.read_text(encoding="utf-8"))
    ]

    assert modules()
    assert found == []


def test_the_rule_sees_every_way_to_format_a_float() -> None:
    source = """a = f"{x:.1f} {n:>8} {t:%H:%M} {y:+g}"; b = "%.2f" % x; c = "{:.1f}".format(x); d = format(x, ".1f")"""
    assert len(list(formats_of(source))) == 5


def test_every_room_is_under_the_rule_but_the_named_ones() -> None:
    """A folder or module that is new is read like the others, and a name in the list is one that exists."""
    rooms = {path.name for path in HOST.iterdir() if (path / "__init__.py").exists()}
    assert rooms - {path.parent.name for path in modules()} == {name for name in EXCEPT if name in rooms}
    assert [name for name in EXCEPT if not (HOST / name).exists()] == []
