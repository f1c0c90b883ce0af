"""`nightturn serve`: the night itself."""

from nightturn.cli.arguments import BenchFile, Overrides

EXAMPLE = "nightturn serve bench.toml"


def run(bench: BenchFile, overrides: Overrides = []) -> None:  # noqa: B006 - typer copies it
    """Record, measure and publish every fixture of a rig file until Ctrl-C.

    A fixture waits until a unit is mounted (`nightturn mount`): without a card nothing is moved. Ctrl-C drains and
    closes cleanly; the next start goes on with the runs. The broker's password is read from NIGHTTURN_MQTT_PASSWORD.
    The motion lease is not a safety function: emergency stop, guards and safe torque off stay in certified hardware.
    """
    from nightturn.bench.logging import set_up_logging
    from nightturn.daemon.serve import main

    set_up_logging()
    main(bench, overrides)
