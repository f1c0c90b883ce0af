"""`nightturn pause`: halt a fixture and keep its run."""

from pathlib import Path

from nightturn.cli.arguments import AsJson, OfBench, OfData, Operator, Running, Why

EXAMPLE = 'nightturn pause pan-a1 --operator "R. Vale" --reason "noise in the hall"'


def run(
    fixture: Running,
    *,
    operator: Operator,
    reason: Why = "",
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Turn the drive off and keep the run and its card; recording goes on, and motion waits for `go`.

    Ends with 3 when no daemon answers within two seconds: use the emergency stop. `pause` isolates nothing: before anybody
    reaches in, isolate and lock the energy sources by local rules.
    """
    from nightturn.cli.asking import command, daemons_root
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import PAUSE

    request = new_request(PAUSE, fixture, operator, reason=reason)
    command(daemons_root(bench, data), request, as_json=as_json)
