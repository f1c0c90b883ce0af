"""`nightturn history`: the life of a unit over its nights."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import msgspec
import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from nightturn.trend.damage import SnLine
    from nightturn.unit_history.account import Account
    from nightturn.unit_history.findings import Findings

EXAMPLE = "nightturn history nights --unit Q-0121"

FalseAlarms = Annotated[
    float | None,
    typer.Option(
        "--false-alarms",
        metavar="RATE",
        help="Expected a night over all figures of the unit, for the watch; as in the rig file beside the data root, else 0.05.",
    ),
]
Load = Annotated[
    bool, typer.Option("--load", help="What the shaft has carried instead, from all stored samples.")
]
Orders = Annotated[
    bool,
    typer.Option("--orders", help="Families of orders and strokes instead, with level and slope of each."),
]


def run(
    root: Annotated[Path, typer.Argument(help="The data root: `data` in bench.toml.")],
    *,
    unit: Annotated[str, typer.Option("--unit", metavar="SERIAL", help="The unit's serial.")],
    false_alarms: FalseAlarms = None,
    load: Load = False,
    sn: Annotated[
        str,
        typer.Option(
            "--sn",
            metavar="N0,S0,M",
            help="With --load: an S-N line, cycles N0 at a range of S0 N·m, slope M.",
        ),
    ] = "",
    orders: Orders = False,
    as_json: AsJson = False,
) -> None:
    """Show the life of a unit over runs, fixtures and rigs: strokes, what moved and since when, limits ahead, what it is consistent with.

    A remount, another transducer, calibration or plan is a known step: what is before it is not compared with what follows as if it were wear. Figures
    are judged behind the last step, where the unit has warmed up. A change has a 90 % set of times; a slope and a level have 95 % intervals, which
    know how alike neighbouring cycles are. With 95 % a limit is not reached before the strokes given, and nothing is said beyond three times what was seen.

    Tear-downs that `nightturn note --finding` recorded are held against what was predicted when they were written: hits, misses, and what nobody had predicted.

    With --orders the families of orders that unit, rig and bearings declare, and the strokes, since the last known step: means over blocks of cycles, level and
    slope. They are not watched and no limit is held against them. Where temperature moved by 0.5 K it is given beside the slope, with what it explains and what is left.

    With --load torque cycles by range, overloads, hours at each torque and temperature instead. They say nothing of a life unless --sn gives a line of the part.
    """
    line = _sn_line(sn, load=load)
    if load:
        _print_load(root, unit, line, as_json=as_json)
        return
    if orders:
        _print_orders(root, unit, as_json=as_json)
        return
    from nightturn.cli.output import print_json
    from nightturn.unit_history.account import account_of
    from nightturn.unit_history.findings import findings_of

    found = account_of(root, unit, *(_rate(root) if false_alarms is None else (false_alarms, 1)))
    torn_down = findings_of(root, unit)
    if as_json:
        print_json({**msgspec.to_builtins(found), "findings": torn_down})
    else:
        _print(found, torn_down)


def _rate(root: Path) -> tuple[float, int]:
    """What the rig file states whose data these are, and over how many fixtures; without a usable one beside them the usual rate, over one."""
    from nightturn.errors import NightturnError
    from nightturn.settings.load import data_root, load_rig
    from nightturn.settings.rig import FALSE_ALARMS_PER_NIGHT

    bench = root.resolve().parent / "bench.toml"
    try:
        rig = load_rig(bench)
        own = data_root(bench, rig).resolve() == root.resolve()
    except (NightturnError, OSError):
        return FALSE_ALARMS_PER_NIGHT, 1
    return (rig.bench.false_alarms_per_night, len(rig.fixture)) if own else (FALSE_ALARMS_PER_NIGHT, 1)


def _print(found: "Account", torn_down: "Findings") -> None:
    """Head, nights, known steps, the course of each figure, the watch, causes, what tear-downs found of them."""
    from nightturn.cli import history_text
    from nightturn.cli.output import print_pairs, print_table, print_text

    for text in history_text.head(found):
        print_text(text, hang="  ")
    print_table("nights", history_text.NIGHTS, history_text.night_rows(found))
    if found.steps:
        print_pairs("known steps", history_text.step_rows(found))
    for title, rows in history_text.course_tables(found):
        print_pairs(title, rows)
    if found.watch:
        print_text(f"watch: {found.watch}", hang="  ")
    if found.causes:
        print_pairs("consistent with", history_text.cause_rows(found))
    if rows := history_text.finding_rows(torn_down, found.timezone):
        print_pairs("tear-downs, by the logbook", rows)


def _print_orders(root: Path, unit: str, *, as_json: bool) -> None:
    """What is followed without being watched."""
    from nightturn.cli import history_text
    from nightturn.cli.output import print_json, print_pairs, print_text
    from nightturn.unit_history.life import life_of
    from nightturn.unit_history.rolling import followed_of, lines_of

    found = followed_of(root, life_of(root, unit))
    lines, unknown = lines_of(found), found.unknown
    if as_json:
        print_json({"unit": unit, "orders": lines, "unknown": unknown})
        return
    for title, rows in history_text.rolled_tables(lines):
        print_pairs(f"{unit}: {title}", rows)
    for why in unknown:
        print_text(f"not known: {why}", hang="  ")
    if not lines:
        print_text(f"{unit}: no stored curves or strokes to read")


def _print_load(root: Path, unit: str, line: "SnLine | None", *, as_json: bool) -> None:
    """What the shaft has carried."""
    from nightturn.cli import history_text
    from nightturn.cli.output import print_json, print_pairs, print_table, print_text
    from nightturn.unit_history.life import life_of
    from nightturn.unit_history.load import loads_of
    from nightturn.unit_history.load_temperature import temperatures_of

    found = life_of(root, unit)
    loads, unknown = loads_of(root, found, line)
    warmed, unwarmed = temperatures_of(root, found)
    if as_json:
        print_json(
            {
                "unit": unit,
                "loads": loads,
                "unknown": unknown,
                "temperatures": warmed,
                "temperatures_unknown": unwarmed,
            }
        )
        return
    for each in loads:
        print_pairs(f"{unit}: torque carried, runs: {len(each.runs)}", history_text.load_rows(each))
        print_table("torque cycles", history_text.RANGES, history_text.range_rows(each))
    for place in warmed:
        print_pairs(f"{unit}: temperature, {place.role}", history_text.temperature_rows(place))
    for what, reasons in (("torque", unknown), ("temperature", unwarmed)):
        for why in reasons:
            print_text(f"{what} not counted: {why}", hang="  ")
    if not loads:
        print_text(f"{unit}: no stored samples to count")


def _sn_line(given: str, *, load: bool) -> "SnLine | None":
    """The S-N line that was given."""
    from nightturn.errors import ConfigError

    if not given:
        return None
    allowed = "three numbers above 0, N0,S0,M: 1e6,10,5 is a million cycles at a range of 10 N·m, slope 5"
    if not load:
        raise ConfigError("is a line for the load history", where="--sn", allowed="only with --load")
    from nightturn.trend.damage import SnLine

    try:
        n0, s0, slope = (float(part) for part in given.split(","))
        return SnLine(n0, s0, slope)
    except ValueError as error:
        raise ConfigError(f"{given!r} is no S-N line", where="--sn", allowed=allowed) from error
