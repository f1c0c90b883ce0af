"""`nightturn serve`: the night itself."""

import typer

from nightturn.cli.arguments import AsJson, BenchFile, Overrides

EXAMPLE = "nightturn serve bench.toml"


def run(bench: BenchFile, overrides: Overrides = None, *, as_json: AsJson = False) -> None:
    """Record, measure and publish every fixture of a rig file until Ctrl-C.

    A fixture waits until a unit is mounted (`nightturn mount`): without a card nothing is moved. Ctrl-C drains and
    closes cleanly, at most 45 s later; the next start goes on with the runs. It ends with 1 when the night's verdict on a run that
    ended meanwhile is reject. On a terminal it shows a table of the fixtures with the log's lines above it, elsewhere the log as JSON
    lines on stderr. With --json they go to stdout. The broker's password is read from NIGHTTURN_MQTT_PASSWORD.
    The motion lease is not a safety function: emergency stop, guards and safe torque off stay in certified hardware.
    """
    from nightturn.daemon.serve import main

    if main(bench, overrides or (), as_json=as_json):
        raise typer.Exit(1)
