"""`nightturn bringup`: the torque channel of a fresh rig at rest, before anything turns; with `--moves` its first moves."""

from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, BenchFile, Operator

EXAMPLE = 'nightturn bringup bench.toml pan-a1 --unit Q-0117 --variant pan15 --operator "R. Vale"'


def run(
    bench: BenchFile,
    fixture: Annotated[str, typer.Argument(help="The fixture's id.")],
    *,
    unit: Annotated[str, typer.Option(help="The unit's serial.")],
    variant: Annotated[str, typer.Option(help="The product: a file in variants/ beside the rig file.")],
    operator: Operator,
    seconds: Annotated[float, typer.Option(min=5.0, max=600.0, help="Of samples in each state.")] = 20.0,
    pwm_hz: Annotated[
        float | None,
        typer.Option(min=100.0, help="The drive's switching frequency: its alias is named then."),
    ] = None,
    travel_zero: Annotated[
        bool,
        typer.Option("--travel-zero", help="I have seen that the cable hangs free: travel counts from here."),
    ] = False,
    moves: Annotated[
        bool,
        typer.Option("--moves", help="The first moves instead: 6° out and back, each permitted by you."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Look at the torque channel at rest: uncoupled, coupled, with the drive enabled, with current on.

    You bring the rig into each state yourself and say when it is so; a state may be left out. Without `--moves` nothing is switched or
    turned from here: no motion lease is sent, and every `go` under this card is refused. For each state it gives the mean with its ±, the noise and the lines
    of the spectrum in N·m, named where mains or the drive's PWM explain them, and proposes lines of the rig file with why. Only the
    uncoupled state is a zero.

    With `--moves`, once the states at rest are well, the shaft turns 6° out and 6° back, unpowered, at 0.5 rpm. You permit each move by typing
    the unit's serial, behind all that a `go` checks, and say afterwards which way it went: that gives the sense of the angle and the sign of
    the torque. More than 5 % of the rated torque, a wrong sense or a runaway ends it. None of that is a safety function: what a drive does that
    ignores its commands, only the emergency stop ends. Index mark, travel, pole pairs and resonance do not show in 6°, and that is said.

    The daemon of the rig file records, unless a run is open on the fixture; without one, one is started for this fixture alone. Ctrl-C ends
    it. Nothing here isolates anything: before anybody reaches in, isolate and lock the energy sources by local rules.
    """
    from nightturn.cli.bringup_text import brought_up
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import MOUNT

    request = new_request(MOUNT, fixture, operator, unit=unit)
    if moves:
        from nightturn.cli.first_moves_text import first_moves

        well = first_moves(bench, request, variant, travel_zero=travel_zero, as_json=as_json)
    else:
        well = brought_up(bench, request, variant, seconds, pwm_hz, travel_zero=travel_zero, as_json=as_json)
    if not well:
        raise typer.Exit(1)
