"""`nightturn tidy`: what retention deletes, shown before it is done."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson, OfBench, OfData, Overrides

if TYPE_CHECKING:
    from nightturn.storage.tidying import Tidied

EXAMPLE = "nightturn tidy"
HEAD = ("run", "kind", "size", "why")


def run(
    *,
    apply: Annotated[bool, typer.Option("--apply", help="Delete and join what is listed.")] = False,
    clock_is_right: Annotated[
        bool,
        typer.Option(
            "--clock-is-right",
            help="Nothing was recorded for days because nothing ran; the clock did not jump.",
        ),
    ] = False,
    operator: Annotated[str, typer.Option(help="Your name; it is recorded. Needed with --apply.")] = "",
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    overrides: Overrides = None,
    as_json: AsJson = False,
) -> None:
    """List what [retention] of the rig file lets go: run, kind, size and why. Nothing is deleted or joined without --apply.

    Nothing goes of a run that is kept, under way, interrupted or not wholly sealed, nor a fixture's newest of each kind.
    A stretch of more than three days without any record may be a clock that jumped: nothing ages by it unless you say
    --clock-is-right. What went is listed in retention/log.jsonl. `serve` does the same once an hour. Nothing turns or stops.

    Raw chunks become one file for each hour, of a run under way for the hours behind its newest one; each is read back and compared with its chunks
    before these go, and holds the same samples for every reader.
    """
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.output import print_json
    from nightturn.errors import ConfigError
    from nightturn.estimation.figures import FIGURES
    from nightturn.settings.load import data_root, load_rig
    from nightturn.storage.tidying import tidy_and_join
    from nightturn.trend.series import FOLLOWED

    if apply and not operator:
        raise ConfigError("no name", where="--operator", allowed="the name of who deletes, with --apply")
    rig = load_rig(bench, overrides or (), figures=frozenset(FIGURES), followed=FOLLOWED)
    root = data if data is not None else data_root(bench, rig)
    now_ns = RealClock().utc_ns()
    tidied = tidy_and_join(root, rig.retention, now_ns, operator, apply=apply, clock_is_right=clock_is_right)
    if as_json:
        print_json(tidied)
    else:
        _print(tidied, rig.bench.timezone)


def _print(tidied: "Tidied", timezone: str) -> None:
    from nightturn.cli.output import print_table, print_text
    from nightturn.model.quantities import bytes_text
    from nightturn.storage.zones import local_text

    for start, stop in tidied.steps:
        print_text(
            f"nothing was recorded from {local_text(start, timezone)} to {local_text(stop, timezone)}: nothing ages by "
            "that, because the clock may have jumped; if it is right, say --clock-is-right"
        )
    rows = [(f"{c.fixture} {c.run}", c.kind, bytes_text(c.bytes), c.why) for c in tidied.cleared]
    if not rows and not tidied.joined:
        print_text("nothing is due")
    elif rows and tidied.applied:
        print_table(f"deleted, {bytes_text(tidied.bytes)}", HEAD, rows)
    elif rows:
        print_table(f"would be deleted with --apply, {bytes_text(tidied.bytes)}", HEAD, rows)
    for each in tidied.joined:
        name = f"{each.fixture} {each.run}"
        if each.problem:
            print_text(f"{name}: not joined: {each.problem}")
            continue
        pieces = f"{each.files} raw chunks ({bytes_text(each.bytes)})"
        joined = "joined" if tidied.applied else "would be joined with --apply"
        print_text(f"{name}: {pieces} {joined} into {each.into} file{'s' if each.into > 1 else ''}")
