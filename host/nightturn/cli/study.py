"""`nightturn study`: whose the scatter of a figure is: units, rigs, operators, mountings."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.calibration.study_records import StudyRecord
    from nightturn.report.study import Study
    from nightturn.settings.study import StudyPlan

EXAMPLE = "nightturn study study.toml nights"
NEXT_SHOWN = 3
HEAD = ("", "unit", "rig", "operator", "mounting", "runs")


def run(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The study: units, rigs, operators, how often.")
    ],
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Also as one HTML file, a dot a mounting.")
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every planned mounting in its order, with its runs.")
    ] = False,
    keep: Annotated[
        str,
        typer.Option(
            "--keep", metavar="NAME", help="Keep what it says as a record; NAME says that it holds."
        ),
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Plan a study of repeatability and reproducibility, see how far it has gone, and what it says so far.

    The file names variant, figures, units, rigs and operators, how many mountings each unit gets on each rig by each operator, and how many nights each
    mounting. Lists `units_of` and `operators_of`, by rig, are for units or operators that stay at their rig. The order of the mountings is drawn, round by
    round; a study that is broken off goes on where it stopped, and what is said rests on whole rounds. Measuring itself is done by runs as ever: mount, go.

    Each standard deviation is what one factor adds to the mean of a night, with its 95 % interval from an analysis of variance in which all factors are random.

    With --keep a record is added to studies/ below the data root. From then on `compare` holds differences against what it says of mounting and of
    another rig, and `runs RUN --budget` names it beside every figure of that variant measured at these speeds by these methods.
    """
    from nightturn.cli.output import print_json
    from nightturn.report.study import study_of
    from nightturn.report.study_measured import measured
    from nightturn.settings.study import load_study
    from nightturn.trend.series import FOLLOWED

    plan = load_study(file, FOLLOWED)
    found = study_of(plan, *measured(root, plan))
    if out is not None:
        from nightturn.report.study_page import study_page
        from nightturn.report.written import write_whole

        write_whole(out, study_page(found).encode())
    kept = _kept(root, plan, found, keep) if keep else None
    if as_json:
        print_json({"study": found, "kept": kept} if kept is not None else found)
    else:
        _print(found, kept, every=every)


def _kept(root: Path, plan: "StudyPlan", found: "Study", name: str) -> "StudyRecord":
    """The record of what a study says, added to those of its variant."""
    from datetime import UTC, datetime

    from nightturn.bench.worlds import RealClock
    from nightturn.model.clocks import NS_PER_S
    from nightturn.report.mountings import record_of
    from nightturn.storage.study_files import keep_study

    now = datetime.fromtimestamp(RealClock().utc_ns() // NS_PER_S, UTC)

    def make(records: "tuple[StudyRecord, ...]") -> "StudyRecord":
        return record_of(
            plan,
            found,
            f"{plan.variant}/{len(records) + 1}",
            kept_by=name,
            at_utc=now,
            supersedes=records[-1].id if records else None,
        )

    return keep_study(root, plan.variant, make)


def _print(found: "Study", kept: "StudyRecord | None", *, every: bool) -> None:
    """How far it has gone, what is next, and each figure's components."""
    from nightturn.cli.output import print_pairs, print_table, print_text
    from nightturn.report.study import component_rows, measuring_words
    from nightturn.report.study_measured import DONE

    print_text(f"{found.variant}: {found.done} of {len(found.measured)} mountings are done")
    left = [each for each in found.measured if each.state != DONE]
    shown = list(found.measured) if every else left[:NEXT_SHOWN]
    if shown:
        rows = [
            (each.state, each.mounting.unit, each.mounting.rig, each.mounting.operator, str(each.mounting.number), ", ".join(each.runs))
            for each in shown
        ]  # fmt: skip
        print_table("all mountings" if every else "next", HEAD, rows)
    for each in (*(text for one in shown for text in one.missing), *found.said, *found.silent):
        print_text(each, hang="  ")
    if found.waits:
        print_text(found.waits)
    for figure in found.figures:
        print_pairs(f"{figure.title}, of {found.rounds} whole rounds", component_rows(figure))
        print_text(measuring_words(figure), hang="  ")
    if kept is not None:
        print_text(f"kept as {kept.source}")
