"""`nightturn replay`: a recorded tape through the same core again."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from nightturn.replay.shown_again import Shown
    from nightturn.replay.verdict import Options

EXAMPLE = "nightturn replay replay_logs/healthy.ntj"
WHAT_IF, STRETCH = "--what-if", "--at, --until, --around, --cut"
WHOLE = "--figures, --tile, --split, --accept"
HANG = "    "
"""Deeper than the differences below the line."""


At = Annotated[
    str,
    typer.Option(
        "--at", metavar="TIME", help="Show the minute from this time of day on, by the clocks of the bench."
    ),
]
Until = Annotated[str, typer.Option("--until", metavar="TIME", help="With --at: show until then instead.")]
Around = Annotated[
    str,
    typer.Option("--around", metavar="EVENT", help="Show the minute around the first event of this kind."),
]
CutTo = Annotated[
    Path | None,
    typer.Option("--cut", metavar="FILE", help="Write that stretch as a tape of its own, which replays."),
]
WhatIfFile = Annotated[
    Path | None,
    typer.Option(
        "--what-if", metavar="FILE", help="Under other limits: [accept] and [fixture.protect] of this file."
    ),
]


def run(
    log: Annotated[Path, typer.Argument(help="A tape (*.ntj), a folder of its segments, or a data root.")],
    *,
    fixture: Annotated[str, typer.Option(help="The fixture, when LOG is a data root.")] = "",
    run_id: Annotated[str, typer.Option("--run", help="Run id, or latest.")] = "latest",
    figures: Annotated[bool, typer.Option("--figures", help="Sums and figures only: the fast form.")] = False,
    tile: Annotated[int, typer.Option(min=0, help="Another tile size than live, samples.")] = 0,
    split: Annotated[
        list[int] | None,
        typer.Option(min=0, help="Hand over to another core before this record. Repeatable."),
    ] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Store what was seen as the expectation.")] = False,
    made_by: Annotated[str, typer.Option(help="With --accept: the command that made the tape.")] = "",
    at: At = "",
    until: Until = "",
    around: Around = "",
    cut: CutTo = None,
    limits: WhatIfFile = None,
    as_json: AsJson = False,
) -> None:
    """Feed a tape to the core and say `identical`, or show every difference.

    Every effect is compared with the checksums that the live station put on the tape, and cycles, gaps, events and
    strokes with the expectation beside the tape, or with what the run stored. Figures must be equal to the last bit, or
    within 10⁻⁹ when they were made under another numeric fingerprint; the line says which comparison held. A damaged tape is replayed up to the
    damage. Ends with 1 when anything differs or is damaged.

    With --at 03:12 it shows that minute instead: how the fixture stood, what it was given, what it decided and why, what the sensors showed; from
    the nearest snapshot on, so that nothing before is read. With --what-if the tape runs against other limits, and its figures are made by the methods of this version: which cycles would be judged
    otherwise, and when motion would first have been commanded otherwise; behind that the tape shows figures only.
    """
    stretch = bool(at or until or around or cut)
    whole = bool(figures or tile or split or accept)
    _one_of({WHAT_IF: limits is not None, STRETCH: stretch, WHOLE: whole})
    _one_of({"--cut": cut is not None, "--json": as_json and cut is not None})
    if limits is not None:
        _what_if(log, fixture, run_id, limits, as_json=as_json)
        return
    if stretch:
        _show(log, fixture, run_id, (at, until, around), cut, as_json=as_json)
        return
    from nightturn.replay.verdict import Options

    _compare(
        log, fixture, run_id, Options(figures, tile or None, split or (), accept, made_by), as_json=as_json
    )


def _one_of(groups: "Mapping[str, bool]") -> None:
    """Refuse options of which one would be left out without a word."""
    from nightturn.errors import ConfigError

    given = [names for names, there in groups.items() if there]
    if len(given) > 1:
        raise ConfigError(
            "do not go together", where="; ".join(given), allowed="options of one of these groups"
        )


def _compare(log: Path, fixture: str, run_id: str, options: "Options", *, as_json: bool) -> None:
    """Replay and say what differs."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.replay.verdict import replay_log

    outcome = replay_log(log, fixture, run_id, options)
    if as_json:
        print_json(outcome)
    else:
        for line in outcome.lines():
            text = line.lstrip()
            print_text(text, line[: len(line) - len(text)], hang=HANG)
    if not outcome.identical:
        raise typer.Exit(1)


def _show(
    log: Path, fixture: str, run_id: str, when: tuple[str, str, str], cut: Path | None, *, as_json: bool
) -> None:
    """A stretch of the tape, second by second; or as a file."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.replay.asked import stretch_of
    from nightturn.replay.shown_again import show_again

    asked = stretch_of(log, fixture, run_id, *when)
    if cut is not None:
        from nightturn.replay.cut_out import cut_out

        count = cut_out(asked.tape, asked.from_ts, asked.to_ts, cut)
        print_text(f"{count} records in {cut}; `nightturn replay {cut}` feeds them to the core again")
        return
    shown = show_again(asked.tape, asked.from_ts, asked.to_ts)
    if as_json:
        print_json(shown)
    else:
        _print_stretch(shown, asked.zone, asked.beside)


def _print_stretch(shown: "Shown", zone: str, beside: "Sequence[str]") -> None:
    from nightturn.cli import replay_text
    from nightturn.cli.output import print_pairs, print_table, print_text
    from nightturn.storage.zones import local_text

    print_text(f"from {local_text(shown.from_ts, zone)} to {local_text(shown.to_ts, zone)}")
    for each in beside:
        print_text(each, "  ")
    print_text(f"before: {shown.before or 'nothing is known'}", hang="  ")
    print_text(f"inputs: {shown.inputs or 'nothing is known'}", hang="  ")
    print_pairs("what happened", replay_text.lines(shown, zone) or [("", "nothing")])
    print_table(
        replay_text.sensors_title(shown), replay_text.SECONDS_HEAD, replay_text.second_rows(shown, zone)
    )
    for each in shown.missing:
        print_text(f"damaged: {each}", hang="  ")


def _what_if(log: Path, fixture: str, run_id: str, file: Path, *, as_json: bool) -> None:
    """The tape against other limits."""
    from nightturn.cli import replay_text
    from nightturn.cli.output import print_json, print_text
    from nightturn.estimation.figures import FIGURES
    from nightturn.replay.asked import zone_of_tape
    from nightturn.replay.tapes import tape_of
    from nightturn.replay.what_if import what_if
    from nightturn.settings.limits import load_limits
    from nightturn.settings.validate import RAW_LIMIT

    limits = load_limits(file, FIGURES, (RAW_LIMIT,))
    tape = tape_of(log, fixture, run_id)
    found = what_if(tape, limits)
    if as_json:
        print_json(found)
        return
    for text in replay_text.what_if_lines(found, zone_of_tape(log, fixture, tape)):
        print_text(text, hang="  ")
