"""`nightturn handover`: what is open for the next shift."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData

EXAMPLE = "nightturn handover --bench bench.toml"


def run(
    *,
    calibration_days: Annotated[
        int,
        typer.Option(
            min=1,
            metavar="DAYS",
            help="From one calibration to the next, where a record has no end of its own (a year: common practice, no source).",
        ),
    ] = 365,
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """List what is open for the next shift.

    Fixtures that wait for a person, undecided verdicts, protective limits that cycles are still to confirm, calibrations that end within
    30 days by their record (by their age where that has no end), lines of the logbook that nobody has answered, and the disk.

    Fixtures are asked of the daemon; where none answers they are as recorded last, and that is said. What cannot be read is listed
    too, since it may be something open. Nothing turns or stops, and nothing here says whether a rig is safe.
    """
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.asking import daemons_root
    from nightturn.cli.note_text import show_handover
    from nightturn.cli.output import print_json
    from nightturn.shift.handover import handover

    found = handover(daemons_root(bench, data), RealClock().utc_ns(), calibration_days)
    if as_json:
        print_json(found)
    else:
        show_handover(found)
