"""What an alarm says over MQTT, also of who knows of it and who has put it aside."""

import json

from tests.telemetry.watching import RUN, T0, alarm_row

from nightturn.model.alarms import Put
from nightturn.telemetry.alarm_payload import alarm
from nightturn.telemetry.payloads import Stamp

STAMP = Stamp(7, "b8", RUN, "bench-1")
COMMON = {"schema", "v", "ts", "seq", "host", "daemon_boot", "run"}


def test_an_alarm_carries_the_common_keys_and_all_that_is_known_of_it() -> None:
    put = Put(by="R. Vale", reason="a part is on order", since_ts=T0, until_ts=T0 + 2_000_000)
    said = json.loads(alarm(alarm_row(set_aside=put, acknowledged_ts=T0), STAMP))
    own = {
        "kind",
        "severity",
        "detail",
        "state",
        "calls",
        "title",
        "todo",
        "number",
        "times",
        "latched",
        "passing",
        "gathers",
    }
    known = {"acknowledged_by", "explained_by", "set_aside", "out_of_service"}
    assert set(said) == COMMON | own | known | {"newest_ts", "acknowledged_ts", "returned_ts"}
    assert (said["detail"], said["todo"], said["severity"]) == (
        "torque 18.4 N·m is above 18.0 N·m",
        "Look at the rig",
        "act now",
    )
    assert (said["calls"], said["returned_ts"], said["acknowledged_ts"]) == (False, None, said["ts"])
    assert said["set_aside"] == {
        "by": "R. Vale",
        "reason": "a part is on order",
        "since_ts": said["ts"],
        "until_ts": "2026-03-21T21:00:00.125456Z",
    }
