"""`nightturn report`: the morning's report of a run, of a unit's newest run, or of a whole night."""

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.storage.runs import RunSummary

EXAMPLE = "nightturn report nights --night 2026-11-27"


RunId = Annotated[
    str,
    typer.Argument(metavar="[RUN]", help="One run by its id; else every fixture's of the newest night."),
]
Unit = Annotated[str | None, typer.Option("--unit", metavar="SERIAL", help="The newest run of this unit.")]
NightOf = Annotated[
    datetime | None,
    typer.Option(
        "--night",
        formats=["%Y-%m-%d"],
        metavar="DATE",
        help="Every fixture's run of the night that began then.",
    ),
]
OutFolder = Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where the files go.")]
MadeBy = Annotated[
    str,
    typer.Option(
        "--method",
        metavar="NAME",
        help="Figures that `recompute` made by this method, not the recorded ones.",
    ),
]
ReferenceUnit = Annotated[
    str,
    typer.Option("--reference-unit", metavar="SERIAL", help="Say how this unit is mounted on each fixture."),
]
WithPdf = Annotated[
    bool, typer.Option("--pdf", help="Also as PDF, on A4, with the figures attached as JSON.")
]


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    run_id: RunId = "",
    *,
    unit: Unit = None,
    night: NightOf = None,
    out: OutFolder = Path("reports"),
    method: MadeBy = "",
    reference_unit: ReferenceUnit = "",
    with_pdf: WithPdf = False,
    as_json: AsJson = False,
) -> None:
    """Write the morning's report: does the unit pass, what happened, what to do, did the night count; then pictures, budget and checksums.

    One HTML file a run: no script, no outside address, readable offline in any browser, and the same bytes for the same run. --pdf
    (extra `pdf`) writes the same pages for paper, with the checksum of the HTML in their foot. A night is named
    after the day on whose evening it began, by the clocks of the bench.
    With --method figures and verdict are those that `recompute` made. --reference-unit says how the charts of `refcheck` stood. Exit code 1 where a unit does not pass.
    """
    from nightturn.cli.output import print_json, print_text
    from nightturn.model.verdicts import REJECT
    from nightturn.report.written import write_reports
    from nightturn.storage.runs import list_runs

    runs = list_runs(root)
    wanted = _wanted(root, runs, run_id, unit, night)
    written = []
    for each in write_reports(
        runs, wanted, root, out, method=method, reference_unit=reference_unit, with_pdf=with_pdf
    ):
        written.append(each)
        if not as_json:
            print_text(f"{each.severity}: {each.sentence}")
            for path in filter(None, (each.path, each.pdf)):
                typer.echo(f"  {path}")
    if as_json:
        print_json(written)
    if any(each.verdict == REJECT for each in written):
        raise typer.Exit(1)


def _wanted(
    root: Path, runs: "list[RunSummary]", run_id: str, unit: str | None, night: datetime | None
) -> "list[RunSummary]":
    """The runs that were asked for in one way."""
    from nightturn.errors import ConfigError
    from nightturn.report.chosen import of_night, of_unit
    from nightturn.storage.runs import found_runs

    if sum((bool(run_id), unit is not None, night is not None)) > 1:
        raise ConfigError("are given together", where="RUN, --unit, --night", allowed="one of the three")
    if run_id:
        return found_runs(root, run_id)
    if unit is not None:
        return [of_unit(runs, unit)]
    return of_night(runs, night.date() if night is not None else None)
