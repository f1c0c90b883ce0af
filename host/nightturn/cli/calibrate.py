"""`nightturn calibrate`: a record for a torque transducer."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = 'nightturn calibrate TR-204 --data nights --by "R. Vale" --readings weights.csv --arm 0.5 --arm-u 0.00005 --latitude 52 --height 60'

Data = Annotated[
    Path,
    typer.Option(
        "--data", metavar="FOLDER", help="The data root; the record goes to calibrations/ below it."
    ),
]
By = Annotated[str, typer.Option("--by", metavar="NAME", help="Who signs it.")]
ReadingsFile = Annotated[
    Path | None, typer.Option("--readings", metavar="FILE", help="Rows of load, reading, series, position.")
]
Guided = Annotated[
    Path | None,
    typer.Option("--guided", metavar="FILE", help="Be asked for each reading; FILE keeps them and goes on."),
]
Certificate = Annotated[str, typer.Option(help="Number and laboratory, as printed.")]
Factor = Annotated[float | None, typer.Option(help="By a certificate: N·m/V.")]
Sensitivity = Annotated[float | None, typer.Option(help="By a certificate: mV/V at --rated.")]
Rated = Annotated[float | None, typer.Option(help="The torque of the sensitivity, N·m.")]
States = Annotated[
    list[str] | None,
    typer.Option(
        "--states", metavar="KEY=VALUE", help="By a certificate: factor_rel=0.0005/2, linearity_rel_fs=…"
    ),
]
Valid = Annotated[int, typer.Option("--valid-days", min=1, max=3650, help="For how long.")]
Arm = Annotated[float | None, typer.Option(help="Length of the lever, m.")]
ArmU = Annotated[float, typer.Option(help="Its standard uncertainty, m.")]
Latitude = Annotated[float | None, typer.Option(help="Of the bench, degrees: gravity by a formula.")]
Height = Annotated[float, typer.Option(help="Of the bench above the sea, m.")]
Gravity = Annotated[float | None, typer.Option(help="Local gravity where it is known, m/s².")]
GravityU = Annotated[float, typer.Option(help="Its standard uncertainty, m/s².")]
MassU = Annotated[float, typer.Option(help="Standard uncertainty of the masses, % of each.")]
Density = Annotated[float, typer.Option(help="Of the masses, kg/m³.")]
Tilt = Annotated[float, typer.Option(help="Of the lever off level, degrees.")]
TiltU = Annotated[float, typer.Option(help="How well it is level, degrees.")]

ClassesFile = Annotated[
    Path | None,
    typer.Option("--classes", metavar="FILE", help="Limits of classes from your copy of a standard, TOML."),
]
Page = Annotated[
    Path | None, typer.Option("--page", metavar="FILE", help="Write the record as a page too, HTML.")
]


def run(
    transducer: Annotated[str, typer.Argument(help="Its serial.")],
    *,
    data: Data,
    by: By,
    readings: ReadingsFile = None,
    guided: Guided = None,
    certificate: Certificate = "",
    factor: Factor = None,
    sensitivity: Sensitivity = None,
    rated: Rated = None,
    states: States = None,
    valid_days: Valid = 365,
    arm: Arm = None,
    arm_u: ArmU = 0.0,
    latitude: Latitude = None,
    height: Height = 0.0,
    gravity: Gravity = None,
    gravity_u: GravityU = 0.0,
    mass_u: MassU = 0.0,
    density: Density = 8000.0,
    tilt: Tilt = 0.0,
    tilt_u: TiltU = 0.5,
    classes: ClassesFile = None,
    page: Page = None,
    as_json: AsJson = False,
) -> None:
    """Append a calibration record: from readings at known torques or masses on a lever, from the same asked one by one, or from an outside certificate.

    Nothing is moved and no device is read: readings are those of an indicator. Each series begins without load. A lever
    with masses falls and swings: hang masses so that nothing is below them. A class of a standard is only judged
    by a file of its limits that you write from your copy (--classes).
    """
    given = locals()
    from nightturn.cli.calibrate_text import answered

    answered(given)
