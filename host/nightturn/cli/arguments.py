"""Arguments that several verbs take, so that they are spelt and explained alike."""

from pathlib import Path
from typing import Annotated

import typer

BenchFile = Annotated[Path, typer.Argument(metavar="BENCH", help="The rig file, usually bench.toml.")]
Overrides = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="KEY=VALUE", help="Change one key: fixture.pan-a1.rate_hz=1000. Repeatable."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
