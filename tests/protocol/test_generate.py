"""The generator: what is committed is what it writes, it refuses contradictions, and releases stay as they were."""

import copy
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.protocol.vector_files import ROOM

import generate
from generator.definition import DefinitionError, parse
from generator.released import breaks
from nightturn_protocol import messages

Change = Callable[[dict[str, Any]], object]
RELEASED = sorted((ROOM / "released").glob("*.toml"))


def table() -> dict[str, Any]:
    """The definition as plain tables, for a test to spoil."""
    return tomllib.loads((ROOM / "definition.toml").read_text(encoding="utf-8"))


def entry(tables: dict[str, Any], name: str) -> dict[str, Any]:
    """The table of one message."""
    found: dict[str, Any] = next(message for message in tables["message"] if message["name"] == name)
    return found


def test_everything_generated_is_as_committed() -> None:
    assert generate.differing(generate.outputs(generate.load(ROOM / "definition.toml"), ROOM)) == []


def test_check_names_the_file_that_differs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("definition.toml", "PROTOCOL.md"):
        shutil.copy(ROOM / name, tmp_path / name)
    assert generate.main(["--room", str(tmp_path)]) == 0
    assert generate.main(["--room", str(tmp_path), "--check"]) == 0
    header = tmp_path / "device" / "core" / "nt_messages.h"
    header.write_text(
        header.read_text(encoding="utf-8").replace("NT_MAJOR 1u", "NT_MAJOR 2u"), encoding="utf-8"
    )
    capsys.readouterr()
    assert generate.main(["--room", str(tmp_path), "--check"]) == 1
    assert "nt_messages.h differs" in capsys.readouterr().err
    assert generate.main(["--room", str(tmp_path)]) == 0
    assert header.read_text(encoding="utf-8") == (ROOM / "device" / "core" / "nt_messages.h").read_text(
        encoding="utf-8"
    )


def test_the_command_line_checks_the_tree() -> None:
    ran = subprocess.run(
        [sys.executable, str(ROOM / "generate.py"), "--check"], check=False, capture_output=True, text=True
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


def test_a_wrong_definition_ends_with_2_and_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        (ROOM / "definition.toml")
        .read_text(encoding="utf-8")
        .replace('reply = "SheetPart"', 'reply = "Nothing"')
    )
    (tmp_path / "definition.toml").write_text(text, encoding="utf-8")
    assert generate.main(["--room", str(tmp_path)]) == 2
    assert "Sheet: no message is called Nothing" in capsys.readouterr().err


def test_a_definition_that_breaks_a_release_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "released").mkdir()
    for name in ("definition.toml", "PROTOCOL.md", "released/1.0.toml"):
        shutil.copy(ROOM / name, tmp_path / name)
    text = (ROOM / "definition.toml").read_text(encoding="utf-8")
    changed = re.sub(r"^(sheet_part_bytes *= *\{ *value *= *)(\d+)", r"\g<1>64", text, flags=re.MULTILINE)
    assert changed != text
    (tmp_path / "definition.toml").write_text(changed, encoding="utf-8")

    assert generate.main(["--room", str(tmp_path)]) == 2
    assert "against 1.0.toml: limit sheet_part_bytes was" in capsys.readouterr().err
    assert not (tmp_path / "device").exists()


def _grow_twice(tables: dict[str, Any]) -> None:
    entry(tables, "Halt")["fields"] = [["a", "u8", ""], ["a", "u8", ""]]


CONTRADICTIONS: dict[str, tuple[Change, str]] = {
    "same kind": (lambda t: entry(t, "Halt").update(kind=0x86), "kind 0x86 is defined twice"),
    "same name": (lambda t: entry(t, "Halt").update(name="Run"), "message Run is defined twice"),
    "no kind": (lambda t: entry(t, "Halt").update(kind=0), "kind is 1 to 255"),
    "same limit": (
        lambda t: t["sheet"].update(silence_ms={"value": 1, "doc": ""}),
        "limit silence_ms is defined twice",
    ),
    "same field": (_grow_twice, "two fields have the same name"),
    "rest not last": (lambda t: entry(t, "SheetPart")["fields"].reverse(), "must be the last field"),
    "pairs not last": (
        lambda t: entry(t, "Slow")["fields"].append(["x", "u8", ""]),
        "must be the last field",
    ),
    "misaligned": (lambda t: entry(t, "Done")["fields"].reverse(), "offset 1 is not aligned to 4"),
    "unknown type": (
        lambda t: entry(t, "Sheet")["fields"].append(["x", "u24", ""]),
        "no type is called 'u24'",
    ),
    "unknown enum": (lambda t: entry(t, "Sheet")["fields"].append(["x", "u8", "", "Colour"]), "Colour"),
    "enum too wide": (
        lambda t: entry(t, "Halt")["fields"].append(["x", "u8", "", "Input"]),
        "cannot hold Input",
    ),
    "unknown reply": (lambda t: entry(t, "Open").update(reply="Opens"), "no message is called Opens"),
    "reply goes the same way": (lambda t: entry(t, "Open").update(reply="Halt"), "the same way"),
    "unknown limit": (lambda t: entry(t, "Slow").update(most="plenty"), "no limit is called plenty"),
    "pairs without a limit": (lambda t: entry(t, "Slow").pop("most"), "pairs need `most`"),
    "limit without a tail": (lambda t: entry(t, "Run").update(most="events_kept"), "`most` needs a field"),
    "too long": (lambda t: t["limits"]["sheet_part_bytes"].update(value=1010), "do not fit"),
    "block too long": (lambda t: t["limits"]["block_samples_max"].update(value=150), "do not fit"),
    "width missing": (
        lambda t: entry(t, "Block")["planar"]["encoder_bytes"].pop("DELTA16"),
        "a width for every",
    ),
    "form without enum": (lambda t: entry(t, "Block")["planar"].update(form="count"), "names its enum"),
    "two names for a number": (lambda t: t["enum"][0]["values"].update(OTHER=0), "the same number"),
    "flag of two bits": (lambda t: t["flags"][0]["values"].update(BOTH=3), "each flag is one bit"),
    "unknown lane": (lambda t: entry(t, "Halt").update(lane="fast"), "lane one of"),
    "major": (lambda t: t["wire"].update(major=16), "major is 1 to 15"),
    "short row": (lambda t: entry(t, "Halt")["fields"].append(["x", "u8"]), "a field is [name, type, doc]"),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_contradiction_is_refused(name: str) -> None:
    change, message = CONTRADICTIONS[name]
    tables = table()
    parse(copy.deepcopy(tables))
    change(tables)
    with pytest.raises(DefinitionError) as caught:
        parse(tables)
    assert message in str(caught.value)


def test_the_digest_ignores_words() -> None:
    tables = table()
    assert parse(tables).digest == messages.DEFINITION_DIGEST
    entry(tables, "Halt")["doc"] = "Other words."
    entry(tables, "Sheet")["fields"][0][2] = "other words"
    assert parse(tables).digest == messages.DEFINITION_DIGEST
    entry(tables, "Sheet")["fields"][0][0] = "start"
    assert parse(tables).digest != messages.DEFINITION_DIGEST


def test_the_bounds_of_the_sheet_are_under_its_schema_and_not_in_the_digest() -> None:
    tables = table()
    released = parse(copy.deepcopy(tables))
    tables["sheet"]["tick_hz_max"]["value"] = 1
    tables["sheet"]["sheet_schema"]["value"] += 1

    assert parse(tables).digest == messages.DEFINITION_DIGEST
    assert breaks(released, parse(tables)) == []


@pytest.mark.parametrize("path", RELEASED, ids=lambda path: path.stem)
def test_the_definition_keeps_what_was_released(path: Path) -> None:
    released = generate.load(path)
    assert path.stem == f"{released.major}.{released.minor}"
    assert breaks(released, generate.load(ROOM / "definition.toml")) == []


def test_the_current_version_is_released_or_newer() -> None:
    versions = [tuple(map(int, path.stem.split("."))) for path in RELEASED]
    assert max(versions) <= (messages.MAJOR, messages.MINOR)


def _minor(tables: dict[str, Any]) -> None:
    tables["wire"]["minor"] += 1


def _grown_minor(tables: dict[str, Any]) -> None:
    _minor(tables)
    entry(tables, "Sheet")["fields"].append(["length", "u32", ""])
    entry(tables, "Halt")["fields"].append(["mode", "u8", ""])
    tables["enum"][0]["values"]["THIRD"] = 2
    new = {"name": "Later", "kind": 0x24, "direction": "device", "lane": "notice", "doc": "", "fields": []}
    tables["message"].append(new)


BREAKS: dict[str, tuple[Change, str]] = {
    "field renamed": (
        lambda t: entry(t, "Run")["fields"][0].__setitem__(0, "at"),
        "Run changed a released field",
    ),
    "field retyped": (
        lambda t: entry(t, "Run")["fields"][0].__setitem__(1, "i64"),
        "Run changed a released field",
    ),
    "field removed": (lambda t: entry(t, "Status")["fields"].pop(), "Status changed a released field"),
    "fields swapped": (lambda t: entry(t, "Resend")["fields"].pop(0), "Resend changed a released field"),
    "kind moved": (lambda t: entry(t, "Halt").update(kind=0x9F), "Halt changed its kind"),
    "lane changed": (lambda t: entry(t, "Slow").update(lane="data"), "Slow changed its kind"),
    "message removed": (lambda t: t["message"].pop(1), "Slow is gone"),
    "number changed": (lambda t: t["enum"][0]["values"].update(ACTUATOR=4), "Axis.ACTUATOR was 1, is 4"),
    "name removed": (lambda t: t["enum"][0]["values"].pop("ACTUATOR"), "Axis.ACTUATOR was 1, is None"),
    "limit changed": (lambda t: t["limits"]["silence_ms"].update(value=1), "limit silence_ms was 3000, is 1"),
    "bound of the sheet changed": (
        lambda t: t["sheet"]["tick_hz_max"].update(value=1),
        "limit tick_hz_max was 1000000000, is 1",
    ),
    "bound of the sheet removed": (
        lambda t: t["sheet"].pop("rate_hz_max"),
        "limit rate_hz_max was 1000000, is None",
    ),
    "grown without a version": (
        lambda t: entry(t, "Run")["fields"].append(["x", "u8", ""]),
        "needs a new minor",
    ),
    "added without a version": (lambda t: t["enum"][0]["values"].update(THIRD=2), "something was added"),
}


@pytest.mark.parametrize("name", BREAKS)
def test_a_change_to_a_released_message_is_found(name: str) -> None:
    change, message = BREAKS[name]
    tables = table()
    released = parse(copy.deepcopy(tables))
    change(tables)
    found = breaks(released, parse(tables))
    assert any(message in line for line in found), found


@pytest.mark.parametrize("name", [name for name in BREAKS if "without a version" not in name])
def test_a_minor_version_excuses_no_change(name: str) -> None:
    tables = table()
    released = parse(copy.deepcopy(tables))
    _minor(tables)
    BREAKS[name][0](tables)
    assert breaks(released, parse(tables))


def test_a_minor_version_may_add_and_a_major_one_may_do_anything() -> None:
    tables = table()
    released = parse(copy.deepcopy(tables))
    _grown_minor(tables)
    grown = parse(tables)
    assert breaks(released, grown) == []
    assert breaks(grown, released)  # going back is a break
    tables["wire"]["major"] += 1
    tables["message"].pop(1)
    assert breaks(released, parse(tables)) == []
