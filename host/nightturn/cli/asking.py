"""What `status`, `stop`, `pause` and `go` share: asking the daemon, and printing what it says."""

from pathlib import Path

import msgspec
import typer

from nightturn.cli.output import NOT_REPORTED, print_json, print_pairs, print_table
from nightturn.daemon.control_client import NoDaemonError, ask, new_request
from nightturn.daemon.control_protocol import LOOK, STATUS, Answer, Request
from nightturn.model.device import DeviceCounters
from nightturn.settings.load import root_named

KEPT = {True: "kept", False: "done, but not on the disk yet", None: ""}


def daemons_root(bench: Path, data: Path | None) -> Path:
    """The data root whose daemon is meant.

    Raises:
        ConfigError: the rig file does not say.
    """
    return data if data is not None else root_named(bench)


def command(root: Path, request: Request, *, as_json: bool) -> None:
    """Ask for something and say what came of it; ends with 1 when it was refused.

    Raises:
        DeviceError: no daemon answers.
    """
    answered(request, ask(root, request), as_json=as_json)


def look(root: Path, fixture: str) -> None:
    """Print what a person reads before a `go`.

    Raises:
        DeviceError: no daemon answers.
    """
    answer = ask(root, new_request(LOOK, fixture))
    if answer.ok and answer.shows:
        print_pairs(f"{fixture} now", answer.shows)


def answered(request: Request, answer: Answer, *, as_json: bool) -> None:
    """Print an answer; ends with 1 when it is a refusal."""
    if as_json:
        print_json(answer)
    elif answer.ok:
        kept = KEPT[answer.kept]
        typer.echo(f"{request.fixture}: {answer.state}" + (f" ({kept})" if kept else ""))
        if answer.waits_for:
            typer.echo(f"{request.fixture}: {answer.waits_for}")
    else:
        typer.echo(f"nightturn: refused: {answer.problem}", err=True)
    if not answer.ok:
        raise typer.Exit(1)


def counters_text(counters: DeviceCounters | None) -> list[tuple[str, str]]:
    """What a device counts, a row each; what it does not send is said to be missing."""
    names = {
        "leases_refused": "motion leases refused",
        "adc_overrange": "samples at the end of the range",
        "encoder_errors": "encoder errors",
        "tx_stalls": "transmitter stalls",
        "cpu_pct": "processor load, %",
    }
    values = {} if counters is None else msgspec.structs.asdict(counters)
    return [
        (words, NOT_REPORTED if values.get(name) is None else str(values[name]))
        for name, words in names.items()
    ]


def status(root: Path, fixture: str, *, as_json: bool) -> None:
    """Print one fixture's state or all of them; ends with 1 when there is no such fixture.

    Without a daemon it says what was recorded last, as a thing of the past.

    Raises:
        DeviceError: no daemon answers.
    """
    try:
        _asked(root, fixture, as_json=as_json)
    except NoDaemonError:
        _recorded(root, fixture, as_json=as_json)
        raise


def _recorded(root: Path, fixture: str, *, as_json: bool) -> None:
    """What the manifests say that motion did when the last daemon was there; nothing is known of now."""
    from nightturn.storage.runs import RunSummary, list_runs  # heavy, and `stop` must not wait for it

    newest: dict[str, RunSummary] = {}
    for each in list_runs(root) if root.is_dir() else []:
        if fixture in {"", each.fixture}:
            newest.setdefault(each.fixture, each)
    if as_json:
        last = [
            {"fixture": n, "run": r.run, "motion": r.motion, "text": r.motion_text} for n, r in newest.items()
        ]
        print_json({"daemon": False, "last_recorded": last})
    elif newest:
        rows = [
            (name, each.run, f"was {each.motion or 'not known'}", each.motion_text)
            for name, each in newest.items()
        ]
        print_table(f"no daemon answers on {root}; recorded last", ("fixture", "run", "motion", "why"), rows)


def _asked(root: Path, fixture: str, *, as_json: bool) -> None:
    names = (fixture,) if fixture else ask(root, new_request(STATUS)).fixtures
    answers: dict[str, Answer] = {name: ask(root, new_request(STATUS, name)) for name in names}
    refused = [answer.problem for answer in answers.values() if not answer.ok]
    if as_json:
        print_json([{"fixture": name, **msgspec.to_builtins(answer)} for name, answer in answers.items()])
    elif not refused:
        rows = [(name, answer.state, answer.waits_for) for name, answer in answers.items()]
        print_table(f"daemon on {root}", ("fixture", "state", "waits for"), rows)
        if fixture:
            print_pairs("device counts, since it started", counters_text(answers[fixture].counters))
    for problem in refused:
        typer.echo(f"nightturn: {problem}", err=True)
    if refused:
        raise typer.Exit(1)
