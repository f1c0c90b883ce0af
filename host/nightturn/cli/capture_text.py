"""How what a capture gives is shown."""

from collections.abc import Mapping
from pathlib import Path

import msgspec
import typer

from nightturn.capture.asked import ROLES, Asked
from nightturn.capture.asking import Answers, asked_of_a_person
from nightturn.capture.drawing import picture_of, write_picture
from nightturn.capture.found import Found, Line
from nightturn.capture.reading import capture, opened
from nightturn.cli.output import HANG, print_json, print_table, print_text
from nightturn.errors import ConfigError
from nightturn.estimation.intervals import marked
from nightturn.model.quantities import interval, quantity

NOT_THERE = "not in it, see below"


COLUMNS = {"track_a": "a", "track_b": "b"}
"""Roles whose options are called otherwise than they."""
NUMBERS = {
    "factor_u": "factor_u_pct",
    "rated": "rated_nm",
    "rate": "rate_hz",
    "held": "held_nm",
    "start": "start_s",
    "stop": "stop_s",
    "mains": "mains_hz",
}
"""The same of numbers."""


def answered(
    path: Path, options: Mapping[str, object], *, out: Path | None, ask: bool, as_json: bool
) -> None:
    """Read a capture, with questions if somebody wants them, print what it gives and write its picture.

    Raises:
        ConfigError: an option that cannot be, or none that has to be.
    """
    named = {NUMBERS.get(name, COLUMNS.get(name, name)): value for name, value in options.items()}
    columns = {role: str(named[role]) for role in ROLES if named[role] is not None}
    known = {each for each in Asked.__struct_fields__ if each != "columns"}
    given = Answers(columns, {name: value for name, value in named.items() if name in known})
    if ask:
        first = msgspec.convert({**given.numbers, "rated_nm": 1.0}, Asked)
        given = asked_of_a_person(opened(path, first).dialect, given, typer.prompt, print_text)
        print_text("The same without questions:")
        typer.echo(f"  nightturn capture {path} {given.typed()}")
    if given.numbers.get("rated_nm") is None:
        raise ConfigError(
            "--rated is missing: give the rated torque of the actuator in N·m; --ask asks for everything"
        )
    found = capture(path, msgspec.convert({**given.numbers, "columns": given.columns}, Asked))
    picture = out or Path(f"{path.stem}-capture.svg")
    write_picture(picture, picture_of(found))
    (show_json if as_json else show)(path, found, picture)


def show(path: Path, found: Found, picture: Path | None) -> None:
    """The table, then what it rests on, then what to record for the rest."""
    print_text(f"{path}: {'; '.join(found.read)}", hang=HANG)
    print_table(
        found.interval_is,
        ("figure", "value", f"of {quantity(found.of_rated_nm, 'N·m')}", "from"),
        [
            (line.title, value_text(line), share_text(line, found.of_rated_nm), line.how)
            for line in found.lines
        ],
    )
    for title, sentences in (
        ("These figures rest on:", found.assumes),
        ("Not in this capture:", found.lacking),
    ):
        if sentences:
            print_text(title)
            for each in sentences:
                print_text(each, "  ", hang=HANG)
    if picture is not None:
        typer.echo(f"picture: {picture}")


def show_json(path: Path, found: Found, picture: Path | None) -> None:
    """The same for machines, in N·m and per cent."""
    print_json(
        {
            "file": str(path),
            "read": found.read,
            "rated_torque_nm": found.of_rated_nm,
            "interval_is": found.interval_is,
            "figures": [
                {
                    "figure": line.title,
                    "value_nm": line.value_nm,
                    "half_width_nm": line.half_nm,
                    "pct_rated": None if line.value_nm is None else 100 * line.value_nm / found.of_rated_nm,
                    "at_most": line.at_most,
                    "status": line.status,
                    "from": line.how,
                }
                for line in found.lines
            ],
            "assumes": found.assumes,
            "lacking": found.lacking,
            "picture": None if picture is None else str(picture),
        }
    )


def value_text(line: Line) -> str:
    """`109.93 ± 0.32 mN·m`, `at most 40 mN·m`, or that it is not there."""
    return (
        NOT_THERE
        if line.value_nm is None
        else marked(_with_interval(line, line.value_nm, 1.0, "N·m"), line.status)
    )


def share_text(line: Line, rated_nm: float) -> str:
    """The same in per cent of the rated torque, without the ±."""
    if line.value_nm is None:
        return ""
    value, _, _ = (
        _with_interval(line, line.value_nm, 100.0 / rated_nm, "%").removesuffix(" %").partition(" ±")
    )
    return f"{value} %"


def _with_interval(line: Line, value: float, factor: float, unit: str) -> str:
    if line.at_most:
        return f"at most {quantity(value * factor, unit)}"
    if line.half_nm is None:
        return quantity(value * factor, unit)
    return interval(value * factor, line.half_nm * factor, unit)
