"""`nightturn serve`: the night itself."""

from nightturn.cli.arguments import AsJson, BenchFile, Overrides

EXAMPLE = "nightturn serve bench.toml"


def run(bench: BenchFile, overrides: Overrides = None, *, as_json: AsJson = False) -> None:
    """Record, measure and publish every fixture of a rig file until Ctrl-C.

    A fixture waits until a unit is mounted (`nightturn mount`): without a card nothing is moved. Ctrl-C drains and
    closes cleanly; the next start goes on with the runs. With --json the log goes to stdout, one object a line. The broker's password is read from NIGHTTURN_MQTT_PASSWORD.
    The motion lease is not a safety function: emergency stop, guards and safe torque off stay in certified hardware.
    """
    from nightturn.bench.logging import set_up_logging
    from nightturn.daemon.serve import main

    set_up_logging(as_json=as_json)
    main(bench, overrides or ())
