"""`nightturn compare`: two units, revisions, rigs, or a night with an earlier one."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.report.compared import Comparison
    from nightturn.report.night import ReportNight
    from nightturn.storage.runs import RunSummary

EXAMPLE = "nightturn compare nights Q-0121 Q-0117"

FIRST = "first"
Which = "A unit by its serial, for its newest run, or a run by its id."


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    one: Annotated[str, typer.Argument(metavar="A", help=Which)],
    other: Annotated[str, typer.Argument(metavar="B", help=f"{Which} `first`: the first run of A's unit.")],
    *,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Also as one HTML file, with both turns in one picture."),
    ] = None,
    hours: Annotated[
        float | None,
        typer.Option("--last", metavar="HOURS", min=0.01, help="Figures of the last hours of each only."),
    ] = None,
    method: Annotated[
        str,
        typer.Option(
            "--method", metavar="NAME", help="Figures of both that `recompute` made by this method."
        ),
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Hold two runs against each other: each figure's difference with its own ±, in which what both share cancels.

    A difference is real only where its whole 95 % interval lies on one side of zero; within what remounting does, where three mountings of a unit are
    on record and scatter as much. Other speeds, torques or method versions are refused, figure by figure. Figures are those that were recorded, or of --method.
    """
    from nightturn.cli.output import print_json
    from nightturn.report.compared import compared

    ours, theirs = _nights(root, one, other, method)
    found = compared(ours, theirs, hours)
    if out is not None:
        _write(out, found, ours, theirs, hours)
    if as_json:
        print_json(found)
    else:
        _print(found)
        if out is not None:
            typer.echo(str(out))


def _nights(root: Path, one: str, other: str, method: str) -> "tuple[ReportNight, ReportNight]":
    """Both runs, each by its id or as the newest of a unit; the second may be the first of the unit of the first."""
    from nightturn.report.chosen import first_of
    from nightturn.report.night import night_of
    from nightturn.storage.reader import Run
    from nightturn.storage.runs import list_runs

    runs = list_runs(root)
    ours = _run(root, runs, one)
    theirs = first_of(runs, ours) if other == FIRST else _run(root, runs, other)
    mine, yours = (
        night_of(Run(root, each.fixture, each.run), each, method, with_life=False) for each in (ours, theirs)
    )
    return mine, yours


def _run(root: Path, runs: "list[RunSummary]", which: str) -> "RunSummary":
    from nightturn.model.names import RUN_ID
    from nightturn.report.chosen import of_unit
    from nightturn.storage.runs import found_runs

    return found_runs(root, which)[0] if RUN_ID.fullmatch(which) else of_unit(runs, which)


def _write(
    out: Path, found: "Comparison", one: "ReportNight", other: "ReportNight", hours: float | None
) -> None:
    from nightturn.report.compared_page import comparison_page
    from nightturn.report.written import write_whole

    write_whole(out, comparison_page(found, one, other, hours).encode())


def _print(found: "Comparison") -> None:
    from nightturn.cli.output import print_pairs, print_table, print_text
    from nightturn.report.compared import figure_rows, headline, order_rows

    for name, which in (("A", found.one), ("B", found.other)):
        print_text(f"{name}: {which}", hang="  ")
    print_text(headline(found), hang="  ")
    for each in (*found.purposes, *found.known, *found.beware):
        print_text(each, hang="  ")
    print_text(
        f"each ± is of a 95 % interval; {found.interval_is}" if found.interval_is else "nothing was judged",
        hang="  ",
    )
    print_pairs("A less B", [(line.title, text) for line, text in figure_rows(found)])
    if found.orders:
        print_table(
            "orders of the hold that differ most", ("order", "A", "B", "difference"), order_rows(found)
        )
    print_text(found.angle, hang="  ")
