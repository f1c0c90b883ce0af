"""What `status`, `stop`, `pause` and `go` share: asking the daemon, and printing what it says."""

from pathlib import Path

import msgspec
import typer

from nightturn.cli.output import (
    HANG,
    NOT_REPORTED,
    print_json,
    print_pairs,
    print_problem,
    print_table,
    print_text,
)
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
        print_text(f"{request.fixture}: {answer.state}" + (f" ({kept})" if kept else ""), hang=HANG)
        if answer.waits_for:
            print_text(f"{request.fixture}: {answer.waits_for}", hang=HANG)
    else:
        print_problem(f"refused: {answer.problem}")
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
        print_text(f"no daemon answers on {root}; recorded last")
        for name, each in newest.items():
            was = [("run", each.run), ("motion", f"was {each.motion or 'not known'}")]
            print_pairs(name, [*was, *([("why", each.motion_text)] if each.motion_text else [])])


def _asked(root: Path, fixture: str, *, as_json: bool) -> None:
    names = (fixture,) if fixture else ask(root, new_request(STATUS)).fixtures
    answers: dict[str, Answer] = {name: ask(root, new_request(STATUS, name)) for name in names}
    refused = [answer.problem for answer in answers.values() if not answer.ok]
    if as_json:
        print_json([{"fixture": name, **msgspec.to_builtins(answer)} for name, answer in answers.items()])
    elif not refused:
        print_text(f"daemon on {root}")
        for name, answer in answers.items():
            waits = [("wait", answer.waits_for)] if answer.waits_for else []
            trends = [(each.urgency, each.said) for each in answer.trends]
            print_pairs(name, [("state", answer.state), *waits, *trends])
        if fixture:
            _print_night(answers[fixture])
            print_pairs("device counts, since it started", counters_text(answers[fixture].counters))
    for problem in refused:
        print_problem(problem)
    if refused:
        raise typer.Exit(1)


def _print_night(answer: Answer) -> None:
    """What all cycles of the open run say together so far."""
    from nightturn.cli import night_text  # heavy, and `stop` must not wait for it
    from nightturn.sentences.purpose import purpose_text

    verdict = answer.night_verdict
    if verdict is not None:
        title = night_text.title(verdict, ended=False)
        if verdict.limits:
            print_table(title, night_text.HEAD, night_text.limit_rows(verdict))
            print_text(purpose_text(verdict), "  ", hang=HANG)
        else:
            print_pairs(title, night_text.because(verdict))
