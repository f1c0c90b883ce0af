"""`nightturn stop`: end the run of a fixture."""

from pathlib import Path

from nightturn.cli.arguments import AsJson, OfBench, OfData, Operator, Running, Why

EXAMPLE = 'nightturn stop pan-a1 --operator "R. Vale"'


def run(
    fixture: Running,
    *,
    operator: Operator,
    reason: Why = "",
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Turn the drive off and end the run; repeating it changes nothing.

    The drive goes off at once; "kept" is said when the command is on the disk as well. Ends with 3 when no daemon answers
    within two seconds: use the emergency stop. `stop` is bookkeeping and isolates nothing: before anybody reaches in, isolate
    and lock the energy sources by local rules.
    """
    from nightturn.cli.asking import command, daemons_root
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import STOP

    request = new_request(STOP, fixture, operator, reason=reason)
    command(daemons_root(bench, data), request, as_json=as_json)
