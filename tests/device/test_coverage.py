"""Decoder and link of the core take every branch in the tests: gcc's own count, in a process of its own."""

import gzip
import json
import subprocess
from pathlib import Path
from typing import Any

import pytest
from tests.device.build import BUILD, DEVICE
from tests.device.other_builds import CODEC, LINK, MOTION, run_tests

COUNTED = BUILD / "coverage"
DECODER = ("nt_cobs", "nt_crc32c", "nt_frame")
LINKED = (
    "nt_link",
    "nt_session",
    "nt_request",
    "nt_transmit",
    "nt_replies",
    "nt_ring",
    "nt_events",
    "nt_overload",
)


@pytest.fixture(scope="module")
def counts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    """Lines with their branches by source file, after the tests of codec, link and motion."""
    for old in COUNTED.glob("*.gcda"):
        old.unlink()
    done = run_tests("coverage", CODEC + LINK + MOTION)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-2000:]
    room = tmp_path_factory.mktemp("gcov")
    objects = [str(COUNTED / f"{name}.o") for name in DECODER + LINKED]
    subprocess.run(
        ["gcov", "-b", "-j", "-o", str(COUNTED), *objects], cwd=room, check=True, capture_output=True
    )
    found: dict[str, list[dict[str, Any]]] = {}
    for path in room.glob("*.json.gz"):
        for file in json.loads(gzip.decompress(path.read_bytes()))["files"]:
            found.setdefault(Path(file["file"]).name, []).extend(file["lines"])
    return found


def missing(name: str, lines: list[dict[str, Any]]) -> list[str]:
    """What was never run, and which ways were never gone."""
    text = (DEVICE / "core" / name).read_text(encoding="utf-8").splitlines()
    left = []
    for line in lines:
        ways = [branch["count"] for branch in line["branches"]]
        if line["count"] == 0 or 0 in ways:
            left.append(f"{name}:{line['line_number']} {ways} {text[line['line_number'] - 1].strip()}")
    return left


@pytest.mark.parametrize("name", DECODER + LINKED)
def test_every_branch_is_taken(name: str, counts: dict[str, list[dict[str, Any]]]) -> None:
    lines = counts[f"{name}.c"]
    assert sum(len(line["branches"]) for line in lines) > 0
    left = missing(f"{name}.c", lines)
    assert not left, "never taken:\n" + "\n".join(left)


def test_a_branch_that_is_never_taken_is_named() -> None:
    lines = [
        {"line_number": 1, "count": 5, "branches": [{"count": 5}, {"count": 0}]},
        {"line_number": 2, "count": 0, "branches": []},
        {"line_number": 3, "count": 5, "branches": [{"count": 1}, {"count": 4}]},
    ]
    assert [left.split(" ")[0] for left in missing("nt_link.c", lines)] == ["nt_link.c:1", "nt_link.c:2"]
