"""The two shows of `nightturn demo`, and what they print."""

import sys
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import typer

from nightturn.bench.sinks import Tally
from nightturn.bench.station import Station
from nightturn.cli.output import print_json, print_pairs, print_text
from nightturn.demo.emulated import SECONDS, OnProgress, run_emulated
from nightturn.demo.emulator import find_firmware, find_qemu
from nightturn.demo.night import Night, run_night
from nightturn.demo.page import opened_page
from nightturn.demo.scenario import write_scene
from nightturn.demo.stories import Story
from nightturn.demo.summary import heading, lines, rows
from nightturn.model.quantities import fixed, number
from nightturn.web.listening import address_of

MILLION = 1_000_000


class Progress:
    """A bar on a terminal, a line an hour elsewhere, nothing for machines."""

    def __init__(self, hours: float, *, quiet: bool) -> None:
        self._hours = hours
        self._quiet = quiet
        self._reported = 0
        self._bar = None
        if not quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import Progress as Bar

            self._bar = Bar(console=Console(stderr=True))
            self._task = self._bar.add_task("the night", total=hours)

    def __enter__(self) -> Self:
        """Begin."""
        if self._bar is not None:
            self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Take the bar down."""
        if self._bar is not None:
            self._bar.stop()

    def at(self, hour: float, tally: Tally) -> None:
        """The night has come to this hour."""
        if self._bar is not None:
            self._bar.update(self._task, completed=hour)
        elif not self._quiet and int(hour) > self._reported:
            self._reported = int(hour)
            cycles = sum(len(done) for done in tally.cycles.values())
            typer.echo(f"hour {self._reported} of {number(self._hours)}: {cycles} cycles")


def night(
    out: Path, hours: float, seed: int, story: Story, *, listen: str, stay: bool, as_json: bool
) -> None:
    """Three virtual fixtures through a night, with its page on a terminal and where it is to stay."""
    address = address_of(listen)
    bench = write_scene(out, hours, seed, story)
    with opened_page(bench, address, wanted=stay or (sys.stdout.isatty() and not as_json)) as shown:
        if shown.said:
            typer.echo(shown.said, err=True)
        with Progress(hours, quiet=as_json) as progress:
            recorded = run_night(bench, hours, seed, progress.at)
        reports = _reports(recorded.root, out)
        show("The night", recorded, bench, reports, as_json=as_json)
        if stay and shown.url:
            typer.echo(f"the page stays at {shown.url} until Ctrl-C", err=True)
            shown.wait()


def _reports(root: Path, out: Path) -> list[str]:
    """The morning's reports of the night; where they cannot be made, why, in one line."""
    from nightturn.errors import ConfigError
    from nightturn.report.chosen import of_night
    from nightturn.report.written import write_reports
    from nightturn.storage.runs import list_runs

    runs = list_runs(root)
    try:
        return [each.path for each in write_reports(runs, of_night(runs, None), root, out / "reports")]
    except ConfigError as error:
        return [f"none; {error}"]


def emulated(out: Path, firmware: Path | None, *, as_json: bool) -> None:
    """One fixture with the emulated microcontroller, in real time."""
    qemu = find_qemu()
    image = find_firmware(firmware, Path.cwd())
    progress = seconds_recorded(SECONDS, quiet=as_json)
    recorded, bench = run_emulated(out, SECONDS, qemu, image, progress)
    show("Half a minute of real firmware", recorded, bench, as_json=as_json)


def seconds_recorded(seconds: float, *, quiet: bool) -> OnProgress:
    """A line every few seconds of real time; nothing for machines."""

    def say(spent_s: float, station: Station) -> None:
        counts = station.core.state.counts
        if not quiet:
            typer.echo(
                f"{fixed(spent_s, 0)} s of {number(seconds)}: {counts.samples} samples, {counts.missing} missing, "
                f"{counts.bad_frames} bad frames"
            )

    return say


def show(title: str, recorded: Night, bench: Path, reports: Sequence[str] = (), *, as_json: bool) -> None:
    """Print the table and what to type next."""
    table = lines(recorded)
    if as_json:
        print_json(
            {
                "fixtures": table,
                "data": str(recorded.root),
                "reports": reports,
                "real_s": round(recorded.real_s, 1),
                "samples": recorded.samples,
            }
        )
        return
    typer.echo(f"{title}, figures of the last complete cycle with their 95 % intervals")
    for line in table:
        print_pairs(heading(line), rows(line))
    print_text(_amount(recorded))
    typer.echo(f"data: {recorded.root}")
    for each in reports:
        typer.echo(f"report: {each}")
    typer.echo("next:")
    for command in (
        f"check {bench}",
        f"runs {recorded.root}",
        f"verify {recorded.root}",
        *(f"history {recorded.root} --unit {line.unit}" for line in table[1:2] if line.course),
        f"replay {recorded.root} --fixture {table[0].fixture}",
    ):
        typer.echo(f"  nightturn {command}")


def _amount(recorded: Night) -> str:
    """How much was recorded, how fast, and what became of it on MQTT."""
    rate = recorded.samples / max(recorded.real_s, 1e-9)
    if recorded.published == 0 and recorded.samples < MILLION:
        return f"{recorded.samples} samples in {fixed(recorded.real_s, 0)} s ({fixed(rate, 0)} S/s); {recorded.broker}"
    return (
        f"{fixed(recorded.samples / MILLION, 1)} million samples in {fixed(recorded.real_s, 0)} s ({fixed(rate / MILLION, 1)} MS/s); "
        f"{recorded.broker}; {recorded.published} messages published"
    )
