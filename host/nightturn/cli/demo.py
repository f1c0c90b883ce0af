"""`nightturn demo`: a whole night of three invented fixtures in about a minute."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn demo --out nightturn-demo --hours 8"


def run(
    *,
    out: Annotated[Path, typer.Option(help="Folder for everything the demo writes.")] = Path(
        "nightturn-demo"
    ),
    hours: Annotated[
        float, typer.Option(min=0.1, max=48.0, help="Length of the night, virtual hours.")
    ] = 8.0,
    seed: Annotated[
        int, typer.Option(min=0, max=999, help="Seed of everything that is left to chance.")
    ] = 11,
    as_json: AsJson = False,
) -> None:
    """Run three virtual fixtures through a night in virtual time and judge them in the morning.

    One fixture is healthy, one has a bearing spall that grows from five eighths of the night on, one has an
    intermittent bridge cable and two link outages. Everything is recorded, published to a broker on loopback (when
    mosquitto or amqtt is there) and stays on disk. Nothing turns: all fixtures are simulated.
    """
    from nightturn.bench.logging import set_up_logging
    from nightturn.cli.demo_text import Progress, show
    from nightturn.demo.night import run_night
    from nightturn.demo.scenario import write_scene
    from nightturn.demo.summary import lines

    set_up_logging(errors_only=True)
    bench = write_scene(out, hours, seed)
    with Progress(hours, quiet=as_json) as progress:
        night = run_night(bench, hours, seed, progress.at)
    show(night, lines(night), bench, as_json=as_json)
