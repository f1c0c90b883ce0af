"""`nightturn refcheck`: a reference unit over its nights, rig by rig: has the rig drifted, or the reference?"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.unit_history.reference import Reference

EXAMPLE = "nightturn refcheck nights --unit REF-1"


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    unit: Annotated[str, typer.Option("--unit", metavar="SERIAL", help="The reference unit's serial.")],
    as_json: AsJson = False,
) -> None:
    """Hold a reference unit's nights against limits from its own history on each rig: a rig that moves alone is the rig.

    A reference is a unit that is kept for this and measured on each rig now and then, with the same plan. Its first nights on a rig, eight at least and
    twenty-five at most, make the limits there, rough ones below twenty; the newest three and all later nights are held against them by four run rules, and a weighted mean sees small shifts.
    Limits begin again behind another transducer, calibration or plan. Exit code 1 where one of the newest three nights on a rig breaks a rule.

    A chart sees change, not truth: what the rig reads from the first night on wrongly, it reads wrongly for ever. Only a known mass or a calibration says that.
    """
    from nightturn.cli.output import print_json
    from nightturn.unit_history.reference import reference_of

    found = reference_of(root, unit)
    if as_json:
        print_json(found)
    else:
        _print(found)
    if found.moved:
        raise typer.Exit(1)


def _print(found: "Reference") -> None:
    """What the rigs say together, then each chart."""
    from nightturn.cli.output import print_pairs, print_text
    from nightturn.unit_history.reference import chart_rows

    judged = sum(each.centre is not None for each in found.charts)
    verdict = f"{found.serial}: nothing has moved" if judged else f"{found.serial}: nothing is judged yet"
    for text in found.said or (verdict,):
        print_text(text, hang="  ")
    if found.charts:
        print_pairs("charts", chart_rows(found))
    for text in found.unread:
        print_text(text, hang="  ")
