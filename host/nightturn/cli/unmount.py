"""`nightturn unmount`: the unit was taken off its fixture."""

import time
from pathlib import Path

from nightturn.cli.arguments import AsJson, OfBench, OfData, Operator, Running, Why

EXAMPLE = 'nightturn unmount pan-a1 --operator "R. Vale"'


def run(
    fixture: Running,
    *,
    operator: Operator,
    reason: Why = "",
    bench: OfBench = Path("bench.toml"),
    data: OfData = None,
    as_json: AsJson = False,
) -> None:
    """Take a fixture's card off: its run ends, and the fixture waits for a mount.

    Refused, with 1, while the shaft turns or may turn, and when nothing is mounted. While a daemon runs on the data root, it
    writes the card. `unmount` is bookkeeping and isolates nothing: before anybody reaches in, isolate and lock the energy
    sources by local rules.
    """
    from nightturn.cli.asking import answered, daemons_root
    from nightturn.daemon.control_client import new_request
    from nightturn.daemon.control_protocol import UNMOUNT
    from nightturn.daemon.mounting import unmount

    request = new_request(UNMOUNT, fixture, operator, reason=reason)
    answered(request, unmount(daemons_root(bench, data), request, time.time_ns()), as_json=as_json)
