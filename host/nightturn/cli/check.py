"""`nightturn check`: the outlook of every fixture, and everything that speaks against it."""

from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, BenchFile, Overrides

EXAMPLE = "nightturn check bench.toml --variant pan15"

VariantName = Annotated[
    str,
    typer.Option("--variant", help="Only this variant; otherwise the one mounted, or every one there is."),
]


def run(
    bench: BenchFile, *, variant: VariantName = "", overrides: Overrides = None, as_json: AsJson = False
) -> None:
    """Read a rig file and its variants, and print what a night on each fixture will be.

    Nothing is opened and nothing turns. All mistakes that can be found in one pass are told together, each with
    file, table, key, value and what is allowed.
    """
    from nightturn.cli.outlook_text import outlook_rows
    from nightturn.cli.output import print_json, print_pairs
    from nightturn.estimation.figures import FIGURES
    from nightturn.motion.interlocks import unwired
    from nightturn.outlook.plan import outlook
    from nightturn.settings.load import calibration_mistakes, load_rig, variants_for
    from nightturn.settings.mistakes import raise_mistakes

    figures = frozenset(FIGURES)
    rig = load_rig(bench, overrides or (), figures=figures)
    missing_wires = {fixture.id: unwired(fixture) for fixture in rig.fixture}
    seen = [
        (fixture.id, product.name, outlook(fixture, product, str(bench)))
        for fixture in rig.fixture
        for product in variants_for(bench, rig, fixture.id, variant, figures=figures)
    ]
    if as_json:
        print_json(
            [
                {
                    "fixture": fixture,
                    "variant": name,
                    "not_wired": missing_wires[fixture],
                    "outlook": found,
                }
                for fixture, name, found in seen
            ]
        )
    else:
        for fixture, name, found in seen:
            wires = missing_wires[fixture]
            rows = [*outlook_rows(found), *([("not wired", wires)] if wires else [])]
            print_pairs(f"{fixture} with {name}", rows)
    missing = calibration_mistakes(bench, rig)
    raise_mistakes([*missing, *(error for _, _, found in seen for error in found.errors)])
