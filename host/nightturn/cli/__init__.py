"""The command line: one module per verb; this one finds the verb, and turns errors into lines and exit codes.

A verb is a module with a function `run`, whose signature typer reads and whose docstring is its help, and a text
`EXAMPLE`. It is imported only when it is asked for; heavy rooms are imported inside `run`.
"""

import importlib
import inspect
import os
import sys
from collections.abc import Sequence
from typing import Annotated, NamedTuple

import typer

from nightturn.errors import (
    DEBUG,
    CalibrationError,
    ConfigError,
    DeviceError,
    NightturnError,
    ObjectStoreError,
    StorageError,
    TableError,
    TelemetryError,
    fault,
    plain,
)

PURPOSE = "Qualifies how smoothly a rotary actuator turns: ripple, cogging and friction, cycle by cycle, over whole nights."
SAFETY = (
    "Rotating machinery: the motion lease is not a safety function; emergency stop, guards and safe torque off belong "
    "in certified hardware; follow local codes and qualified people."
)
EXITS = "Exit codes: 0 good, 1 a check or verdict failed, 2 usage or configuration, 3 device, link or object store, 4 storage."


class Verb(NamedTuple):
    """Where a verb lives and what the list of verbs says about it."""

    module: str
    line: str


# A verb more: one module, one line here.
VERBS: dict[str, Verb] = {
    "check": Verb(
        "nightturn.cli.check", "Check a rig file: time, travel, orders, sampling; refuse what cannot work."
    ),
    "mount": Verb("nightturn.cli.mount", "Write the card of the unit that has been mounted on a fixture."),
    "unmount": Verb("nightturn.cli.unmount", "Take the card of a fixture off; its run ends."),
    "ports": Verb("nightturn.cli.ports", "List serial ports under names that stay the same."),
    "linktest": Verb(
        "nightturn.cli.linktest", "Open a device, print what it is, prove its line bit for bit."
    ),
    "demo": Verb("nightturn.cli.demo", "A whole night of three invented fixtures in about a minute."),
    "serve": Verb("nightturn.cli.serve", "Record, measure and publish every fixture of a rig file."),
    "status": Verb("nightturn.cli.status", "What the fixtures of a running daemon do and wait for."),
    "stop": Verb("nightturn.cli.stop", "Turn a fixture's drive off and end its run."),
    "pause": Verb("nightturn.cli.pause", "Turn a fixture's drive off and keep its run."),
    "bringup": Verb("nightturn.cli.bringup", "Look at a rig's torque channel at rest, state by state."),
    "measure": Verb("nightturn.cli.measure", "Measure ripple, cogging and friction of a unit now."),
    "go": Verb("nightturn.cli.go", "Permit motion of a fixture that waits for a person."),
    "alarms": Verb("nightturn.cli.alarms", "What needs a person, since when, what to do, and who knows."),
    "broker-config": Verb(
        "nightturn.cli.broker_config", "A mosquitto broker for exactly this rig and these readers."
    ),
    "virtual": Verb("nightturn.cli.virtual", "Serve one virtual fixture on a pty or TCP address."),
    "calibrate": Verb(
        "nightturn.cli.calibrate", "Append a calibration record: readings at known torques, or a certificate."
    ),
    "capture": Verb(
        "nightturn.cli.capture", "Ripple, cogging, friction from a file that a scope or script saved."
    ),
    "replay": Verb("nightturn.cli.replay", "Feed a recorded tape to the core again and compare."),
    "runs": Verb("nightturn.cli.runs", "List the runs under a data root."),
    "history": Verb(
        "nightturn.cli.history", "The life of a unit: what moved, since when, and what lies ahead."
    ),
    "report": Verb(
        "nightturn.cli.report", "Write the morning's report: verdict first, what to do, then pictures."
    ),
    "page": Verb("nightturn.cli.page", "Show a data root in a browser: all fixtures, and each run."),
    "users": Verb("nightturn.cli.users", "Who may sign in on the page: add, revoke, list."),
    "compare": Verb(
        "nightturn.cli.compare",
        "Hold two units or two nights against each other, each difference with its ±.",
    ),
    "batch": Verb("nightturn.cli.batch", "All units of a variant: verdicts, outliers, who may be released."),
    "study": Verb(
        "nightturn.cli.study", "Whose the scatter is: units, rigs, operators, mountings; what to mount next."
    ),
    "refcheck": Verb(
        "nightturn.cli.refcheck", "A reference unit over its nights: has a rig drifted, or the reference?"
    ),
    "verify": Verb("nightturn.cli.verify", "Read runs back with every checksum and say what is missing."),
    "reanalyse": Verb(
        "nightturn.cli.reanalyse", "Make figures again from stored samples, of one run or of months."
    ),
    "recompute": Verb(
        "nightturn.cli.recompute", "Make the figures of one run again, beside the recorded ones."
    ),
    "push": Verb("nightturn.cli.push", "Copy runs that have ended to an object store, with checksums."),
    "tidy": Verb("nightturn.cli.tidy", "Show what retention would delete; with --apply delete it."),
    "keep": Verb("nightturn.cli.keep", "Exempt a run from retention, or release it again."),
    "note": Verb(
        "nightturn.cli.note", "Add a note, a photo, a finding or an answer to the logbook, or list it."
    ),
    "handover": Verb("nightturn.cli.handover", "What is open for the next shift."),
    "export": Verb(
        "nightturn.cli.export",
        "A stretch of a run as CSV, Parquet, MDF4 or WAV, or a run as a pack for a customer.",
    ),
    "redate": Verb("nightturn.cli.redate", "Record that the clock of a run was wrong, and by how much."),
}

FAILED, STORAGE = 1, 4
EXIT_CODES: tuple[tuple[type[NightturnError], int], ...] = (
    (ConfigError, 2),
    (CalibrationError, 2),
    (TableError, 2),
    (DeviceError, 3),
    (TelemetryError, 3),
    (ObjectStoreError, 3),
    (StorageError, 4),
    (NightturnError, 1),
)


def exit_code(error: NightturnError) -> int:
    """The process's exit code for an error that ends it."""
    return next(code for kind, code in EXIT_CODES if isinstance(error, kind))


def build(arguments: Sequence[str]) -> typer.Typer:
    """The application, with only the verb that the arguments ask for imported."""
    app = typer.Typer(
        help=f"{PURPOSE}\n\n{SAFETY}",
        epilog=EXITS,
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    app.callback()(_root)
    asked = next((argument for argument in arguments if not argument.startswith("-")), "")
    for name, verb in VERBS.items():
        if name == asked:
            module = importlib.import_module(verb.module)
            text = inspect.cleandoc(module.run.__doc__)
            app.command(name, help=text, short_help=verb.line, epilog=f"Example: {module.EXAMPLE}")(
                module.run
            )
        else:
            app.command(name, short_help=verb.line)(_entry_in_the_list)
    return app


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of `nightturn`; ends the process with its exit code.

    An error that nightturn raises on purpose becomes a line on stderr; so does anything else, which is a fault of ours.
    Where it happened is shown with `--debug`, wherever it stands, or NIGHTTURN_DEBUG.
    """
    given = list(sys.argv[1:] if arguments is None else arguments) or ["--help"]
    if "--debug" in given:
        given.remove("--debug")
        os.environ[DEBUG] = "1"
    # Before numpy is imported: one thread keeps the order of a figure's additions, and small sums gain nothing from two.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        build(given)(args=given, prog_name="nightturn")
    except NightturnError as error:
        _say(str(error))
        _trace(error)
        sys.exit(exit_code(error))
    except OSError as error:
        _say(plain(str(error)))
        _trace(error)
        sys.exit(STORAGE)
    except Exception as error:  # noqa: BLE001 - a person is shown a sentence, whatever went wrong
        _say(_ours(error))
        _trace(error)
        sys.exit(FAILED)


def _say(problems: str) -> None:
    """Each line of what went wrong."""
    from nightturn.cli.output import print_problem

    for problem in problems.splitlines():
        print_problem(problem)


def _ours(error: Exception) -> str:
    """What a person does about a fault of this program."""
    from nightturn.version import VERSION

    return (
        f"a fault of nightturn itself, not of yours: {fault(error)}, version {VERSION}; please report this line with the command; "
        "--debug shows more"
    )


def _trace(error: Exception) -> None:
    if os.environ.get(DEBUG):
        import traceback

        typer.echo("".join(traceback.format_exception(error)), err=True)


def _version(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the flag
    if wanted:
        from importlib.metadata import version

        typer.echo(f"nightturn {version('nightturn')}")
        raise typer.Exit


def _root(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", help="Show where an error happened; also NIGHTTURN_DEBUG=1.")
    ] = False,
) -> None:
    pass


def _entry_in_the_list() -> None:
    """A verb that was not asked for; it is there to be listed and to be suggested."""
