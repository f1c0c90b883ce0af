"""The generated C header: compiled as strictly as it goes, and held against the same vectors as the Python module."""

import shutil
import subprocess
from pathlib import Path

import pytest
from tests.protocol.c_program import c_program, expected
from tests.protocol.vector_files import ROOM, lines

import generate
from generator.definition import Definition
from nightturn_protocol.messages import BY_KIND, Lane

STRICT = [
    "-std=c99",
    "-pedantic",
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wcast-qual",
    "-Wshadow",
    "-Werror",
]
LANES = {Lane.DATA: 0, Lane.CONTROL: 1, Lane.NOTICE: 2}


@pytest.fixture(scope="module", autouse=True)
def _compiler() -> None:
    assert shutil.which("gcc"), "gcc is not installed (Debian: apt-get install gcc)"


@pytest.fixture(scope="module")
def definition() -> Definition:
    """The definition in the tree."""
    return generate.load(ROOM / "definition.toml")


@pytest.fixture(scope="module")
def program(definition: Definition, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled program, with checks for undefined behaviour and reads outside a buffer."""
    room = tmp_path_factory.mktemp("c")
    source, binary = room / "program.c", room / "program"
    source.write_text(c_program(definition), encoding="utf-8")
    sanitize = ["-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
    include = f"-I{ROOM / 'device' / 'core'}"
    built = subprocess.run(
        ["gcc", *STRICT, *sanitize, include, str(source), "-o", str(binary)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    return binary


def said(program: Path, bodies: list[bytes]) -> list[tuple[str, str]]:
    """For each body the facts about its kind and the rest of the line."""
    text = "".join(f"{body[1]} {body[8:].hex()}\n" for body in bodies)
    ran = subprocess.run([str(program)], input=text, check=False, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    split = [line.split(" ", 3) for line in ran.stdout.splitlines()]
    return [(" ".join(parts[:3]), parts[3]) for parts in split]


def test_c_reads_and_writes_every_message_vector_as_python_does(
    definition: Definition, program: Path
) -> None:
    vectors = lines("messages.jsonl")
    answers = said(program, [bytes.fromhex(line["body"]) for line in vectors])
    by_name = {message.name: message for message in definition.messages}
    assert len(answers) == len(vectors)
    for line, (facts, answer) in zip(vectors, answers, strict=True):
        message = BY_KIND[by_name[line["message"]].kind]
        assert answer == expected(by_name[line["message"]], line["fields"], line["body"][16:]), line["case"]
        assert (
            facts
            == f"lane={LANES[message.LANE]} host={int(message.FROM_HOST)} reply={message.REPLY_KIND or 0}"
        )


def test_c_refuses_what_python_refuses(program: Path) -> None:
    vectors = [line for line in lines("bad.jsonl") if line["what"] == "body"]
    answers = said(program, [bytes.fromhex(line["body"]) for line in vectors])
    for line, (facts, answer) in zip(vectors, answers, strict=True):
        match line["fault"]:
            case "malformed":
                assert answer == "refused", line["case"]
            case "unknown":
                assert answer == "unknown"
                assert facts == "lane=-1 host=0 reply=0"
            case "tail":
                assert answer.endswith("| " + line["body"][16:-2])
            case fault:
                assert fault == "version"  # told apart by the header, which this program does not see


def test_c_refuses_every_truncation_and_reads_nothing_behind_it(program: Path) -> None:
    seen: set[str] = set()
    bodies: list[bytes] = []
    for line in lines("messages.jsonl"):
        body = bytes.fromhex(line["body"])
        if line["message"] not in seen and line["message"] != "SheetPart":
            bodies += [body[:end] for end in range(8, len(body))]
        seen.add(line["message"])
    assert {answer for _, answer in said(program, bodies)} == {"refused"}


@pytest.mark.parametrize("standard", ["c99", "c11", "c17"])
def test_the_header_compiles_alone_and_twice_in_one_unit(standard: str, tmp_path: Path) -> None:
    source = tmp_path / "twice.c"
    source.write_text(
        '#include "nt_messages.h"\n#include "nt_messages.h"\nint main(void) { return 0; }\n', encoding="utf-8"
    )
    flags = [f"-std={standard}", *STRICT[1:], f"-I{ROOM / 'device' / 'core'}", "-fsyntax-only"]
    built = subprocess.run(["gcc", *flags, str(source)], check=False, capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
