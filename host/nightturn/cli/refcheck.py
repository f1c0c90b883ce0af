"""`nightturn refcheck`: is a rig right? By a known mass on a lever, by a reference unit over its nights; and what the rig itself makes."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson
from nightturn.cli.calibrate import Arm, ArmU, Density, Gravity, GravityU, Height, Latitude, MassU
from nightturn.cli.capture import Angle, Counts, Decimal, Delimiter, Rate, Start, Stop, Time, Torque

EXAMPLE = "nightturn refcheck nights --unit REF-1"

Place = Annotated[
    Path, typer.Argument(metavar="PLACE", help="With --unit the data root, otherwise the rig file.")
]
Unit = Annotated[str, typer.Option(metavar="SERIAL", help="A reference unit, over its nights on each rig.")]
Fixture = Annotated[str, typer.Option(metavar="ID", help="The fixture that is checked.")]
LeverFile = Annotated[
    Path | None, typer.Option("--lever", metavar="FILE", help="A capture of a lever turned once each way.")
]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who did it; it is kept in the record.")]
Mass = Annotated[float | None, typer.Option(help="The mass on the lever, kg.")]
Level = Annotated[
    float | None,
    typer.Option(help="Encoder angle, degrees, where it is level and turns in the declared sense."),
]
LevelU = Annotated[float, typer.Option(help="Its standard uncertainty, degrees.")]
Down = Annotated[float | None, typer.Option(help="Encoder angle where the lever hangs free, degrees.")]
Allow = Annotated[float, typer.Option(help="What may be off, % of the weight's torque.")]
Arbor = Annotated[
    bool, typer.Option("--arbor", help="The run --run had a smooth arbor: keep what the rig makes.")
]
Reindex = Annotated[
    list[float] | None,
    typer.Option(
        metavar="DEG",
        help="By how much the unit was turned on the rig after the first --run; repeatable, one for each further --run.",
    ),
]
ReindexU = Annotated[
    float,
    typer.Option(
        "--reindex-u", metavar="DEG", help="How well these angles are known (standard uncertainty)."
    ),
]
Runs = Annotated[list[str] | None, typer.Option("--run", metavar="RUN", help="A recorded run; repeatable.")]


def run(
    place: Place,
    *,
    unit: Unit = "",
    fixture: Fixture = "",
    by: By = "",
    lever: LeverFile = None,
    mass: Mass = None,
    level: Level = None,
    level_u: LevelU = 0.5,
    down: Down = None,
    allow: Allow = 0.5,
    arm: Arm = None,
    arm_u: ArmU = 0.0,
    latitude: Latitude = None,
    height: Height = 0.0,
    gravity: Gravity = None,
    gravity_u: GravityU = 0.0,
    mass_u: MassU = 0.0,
    density: Density = 8000.0,
    time: Time = None,
    torque: Torque = None,
    angle: Angle = None,
    counts: Counts = None,
    rate: Rate = None,
    start: Start = None,
    stop: Stop = None,
    delimiter: Delimiter = None,
    decimal: Decimal = None,
    arbor: Arbor = False,
    reindex: Reindex = None,
    reindex_u: ReindexU = 0.5,
    runs: Runs = None,
    as_json: AsJson = False,
) -> None:
    """Check a rig against something known, or keep what the rig makes by itself.

    --lever reads a capture of a known mass on a lever that was turned once each way at 2 rpm or less, and proves factor, both signs, angle sense,
    zeros, hysteresis, drift and index, or says which cannot be said. It is kept, signed; [fixture.refcheck] every = "7d" in the rig file makes releases
    depend on it. Nothing is moved by nightturn here.

    --unit holds a reference unit's nights, measured now and then by the same plan, against limits from its own history on each rig: a rig that moves
    alone is the rig. A chart sees change, not truth: only a known mass or a calibration says that.

    --arbor and --reindex write the rig record by which figures become net of the rig. Exit code 1 where something is not as it has to be.
    """
    given = locals()
    from nightturn.cli.refcheck_text import answered

    answered(given)
