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
OfBench = Annotated[
    Path, typer.Option("--bench", metavar="BENCH", help="The rig file that `serve` was started with.")
]
OfData = Annotated[
    Path | None,
    typer.Option("--data", metavar="FOLDER", help="The data root itself, when it is not the rig file's."),
]
Running = Annotated[str, typer.Argument(metavar="FIXTURE", help="A fixture of the running daemon.")]
Operator = Annotated[str, typer.Option(help="Your name; it is recorded on the tape.")]
Why = Annotated[str, typer.Option(help="The reason; it is recorded on the tape.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON for machines.")]
Endpoint = Annotated[
    str, typer.Option(help="With s3://: another S3 server, http://HOST:PORT or https://HOST.")
]
