"""`nightturn batch`: all units of a variant, what is expected of the next ones, and who may be released."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.report.batch import Batch
    from nightturn.report.reference import Reference

EXAMPLE = "nightturn batch nights --variant pan15"
HEAD = ("unit", "fixture", "verdict", "nights")


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    variant: Annotated[
        str, typer.Option("--variant", metavar="NAME", help="The variant, as its file is called.")
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also as one HTML file, a dot a unit.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Every unit of a variant by its newest night: verdicts, outliers, fixtures that read higher, and what the accepted ones lead to expect, by figure, order and over the turn.

    What is expected is a one-sided tolerance limit: with 95 % confidence 95 % of such units lie within it, if units are normally distributed. Units in
    their newest night accepted are the release list; exit code 1 where one is rejected.
    """
    from nightturn.cli.output import print_json, print_pairs, print_table, print_text
    from nightturn.model.verdicts import REJECT
    from nightturn.report.batch import batch_of, figure_words, verdict_rows
    from nightturn.report.reference import envelope_facts, friction_words, reference_of_batch
    from nightturn.storage.runs import list_runs

    runs = list_runs(root)
    found, reference = batch_of(runs, variant), reference_of_batch(root, runs, variant)
    if out is not None:
        _write(out, found, reference)
    if as_json:
        print_json({"batch": found, "released": found.released, "envelope": envelope_facts(reference)})
    else:
        print_table(f"{variant}: {len(found.units)} units, {found.nights} nights", HEAD, verdict_rows(found))
        if found.figures:
            print_pairs("figures", [(each.title, figure_words(each)) for each in found.figures])
        if reference.friction is not None:
            print_text(f"half the gap: {friction_words(reference.friction)}", hang="  ")
        print_text(f"to release: {', '.join(found.released) or 'none'}", hang="  ")
        if found.held_back:
            print_pairs("not to release", found.held_back)
    if any(each.verdict == REJECT for each in found.units):
        raise typer.Exit(1)


def _write(out: Path, found: "Batch", reference: "Reference") -> None:
    from nightturn.report.batch_page import batch_page
    from nightturn.report.written import write_whole

    write_whole(out, batch_page(found, reference).encode())
