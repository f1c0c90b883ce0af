"""Writes everything that follows from `definition.toml`; `--check` says instead which file differs.

Run as `python protocol/generate.py [--check]`.
"""

import argparse
import sys
import tomllib
from pathlib import Path

from generator.c_header import c_header
from generator.definition import Definition, DefinitionError, parse
from generator.line_vectors import bad_vectors, framing_vectors, stream_vectors
from generator.python_module import python_module
from generator.released import breaks
from generator.tables import MarkerError, with_tables
from generator.vectors import jsonl, message_vectors

ROOM = Path(__file__).resolve().parent


def load(path: Path) -> Definition:
    """The definition in a TOML file.

    Raises:
        DefinitionError: it contradicts itself.
    """
    return parse(tomllib.loads(path.read_text(encoding="utf-8")))


def outputs(definition: Definition, room: Path) -> dict[Path, str]:
    """Each generated file with the text it should have."""
    return {
        room / "nightturn_protocol" / "messages.py": python_module(definition),
        room / "device" / "core" / "nt_messages.h": c_header(definition),
        room / "PROTOCOL.md": with_tables((room / "PROTOCOL.md").read_text(encoding="utf-8"), definition),
        room / "vectors" / "messages.jsonl": jsonl(message_vectors(definition)),
        room / "vectors" / "framing.jsonl": jsonl(framing_vectors(definition)),
        room / "vectors" / "bad.jsonl": jsonl(bad_vectors(definition)),
        room / "vectors" / "streams.jsonl": jsonl(stream_vectors(definition)),
    }


def broken_promises(definition: Definition, room: Path) -> list[str]:
    """What the definition breaks of every release kept in `released/`."""
    return [
        f"against {path.name}: {line}"
        for path in sorted((room / "released").glob("*.toml"))
        for line in breaks(load(path), definition)
    ]


def differing(texts: dict[Path, str]) -> list[Path]:
    """The files whose text is not what it should be."""
    return [
        path for path, text in texts.items() if not path.exists() or path.read_text(encoding="utf-8") != text
    ]


def main(arguments: list[str] | None = None) -> int:
    """Generates or checks; 0 when all is well, 1 when a file differs, 2 when the definition is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing, name the files that differ")
    parser.add_argument("--room", type=Path, default=ROOM, help="the folder with definition.toml")
    options = parser.parse_args(arguments)
    try:
        definition = load(options.room / "definition.toml")
        texts = outputs(definition, options.room)
        broken = broken_promises(definition, options.room)
    except (DefinitionError, MarkerError) as error:
        print(f"definition.toml: {error}", file=sys.stderr)
        return 2
    if broken:
        print("\n".join(f"definition.toml: {line}" for line in broken), file=sys.stderr)
        return 2
    stale = differing(texts)
    for path in stale:
        name = path.relative_to(options.room)
        if options.check:
            print(
                f"{name} differs from what definition.toml gives; run protocol/generate.py", file=sys.stderr
            )
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(texts[path], encoding="utf-8")
            print(f"wrote {name}")
    return 1 if options.check and stale else 0


if __name__ == "__main__":
    sys.exit(main())
