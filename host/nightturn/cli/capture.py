"""`nightturn capture`: figures from a file that a scope or a script saved."""

from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn capture examples/captures/reversal.csv --factor 4 --rated 15"

COLUMN = "by name or number, with a unit if need be:"
Asking = Annotated[bool, typer.Option("--ask", help="Be asked, one thing after the other.")]
Factor = Annotated[float | None, typer.Option(help="N·m per V of the torque's column, or per mV/V.")]
FactorU = Annotated[float | None, typer.Option(help="Standard uncertainty of the factor, %.")]
Rated = Annotated[float | None, typer.Option(help="Rated torque of the actuator, N·m.")]
Time = Annotated[str | None, typer.Option(metavar="COLUMN", help=f"The time, {COLUMN} t:ms.")]
Torque = Annotated[
    str | None, typer.Option(metavar="COLUMN", help=f"The torque, {COLUMN} CH2:mV, 3:mV/V, M:Nm.")
]
Angle = Annotated[
    str | None, typer.Option(metavar="COLUMN", help=f"The angle, {COLUMN} pos:deg, enc:counts.")
]
TrackA = Annotated[
    str | None, typer.Option("--a", metavar="COLUMN", help="Track A of an encoder, with --b and --counts.")
]
TrackB = Annotated[str | None, typer.Option("--b", metavar="COLUMN", help="Track B of an encoder.")]
Index = Annotated[str | None, typer.Option(metavar="COLUMN", help="A pulse once a turn.")]
Sine = Annotated[
    str | None, typer.Option(metavar="COLUMN", help="A sine once a turn, alone or with --cosine.")
]
Cosine = Annotated[str | None, typer.Option(metavar="COLUMN", help="The cosine beside it.")]
Counts = Annotated[
    int | None, typer.Option(help="Encoder counts in one turn; of A and B four for each line.")
]
Periods = Annotated[int, typer.Option(help="Pulses, or periods of the sine, in one turn.")]
Rpm = Annotated[float | None, typer.Option(help="Without an angle: the speed, taken as constant.")]
Rate = Annotated[float | None, typer.Option(help="Without a time: samples a second.")]
Held = Annotated[float, typer.Option(help="Torque that the actuator held while it was turned, N·m.")]
PolePairs = Annotated[int | None, typer.Option(help="Pole pairs of the actuator.")]
Slots = Annotated[int | None, typer.Option(help="Slots of the actuator.")]
Start = Annotated[float | None, typer.Option("--from", help="Look at the time from here on, s.")]
Stop = Annotated[float | None, typer.Option("--to", help="Look at the time up to here, s.")]
Delimiter = Annotated[str | None, typer.Option(help="What parts the columns: ; , | tab or blanks.")]
Decimal = Annotated[str | None, typer.Option(help="The decimal sign: . or ,")]
Mains = Annotated[float, typer.Option(help="Frequency of the mains, Hz.")]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="FILE", help="The picture; otherwise NAME-capture.svg here.")
]


def run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A CSV, any text of rows, or Parquet.")],
    *,
    factor: Factor = None,
    factor_u: FactorU = None,
    rated: Rated = None,
    time: Time = None,
    torque: Torque = None,
    angle: Angle = None,
    track_a: TrackA = None,
    track_b: TrackB = None,
    index: Index = None,
    sine: Sine = None,
    cosine: Cosine = None,
    counts: Counts = None,
    periods: Periods = 1,
    rpm: Rpm = None,
    rate: Rate = None,
    held: Held = 0.0,
    pole_pairs: PolePairs = None,
    slots: Slots = None,
    start: Start = None,
    stop: Stop = None,
    delimiter: Delimiter = None,
    decimal: Decimal = None,
    mains: Mains = 50.0,
    out: Out = None,
    ask: Asking = False,
    as_json: AsJson = False,
) -> None:
    """Ripple, cogging, friction and zero from whatever was recorded, each with its ± and in per cent of rated torque, as far as it allows.

    Columns, units, delimiter and decimal sign are read from the file; what is ambiguous is refused with the line and the remedy. What the figures
    assume, what the capture does not allow and what to record instead is said. Nothing is moved; no hardware is needed.
    """
    given = locals()
    from nightturn.cli.capture_text import answered

    answered(file, given, out=out, ask=ask, as_json=as_json)
