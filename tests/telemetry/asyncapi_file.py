"""`protocol/asyncapi.json`, made of the functions that publish: `python -m tests.telemetry.asyncapi_file --update` after a change of them."""

import json
import sys
from pathlib import Path

import msgspec
from tests.telemetry.asyncapi_document import document
from tests.telemetry.watching import RUN, T0, alarm_row, cycle_record, event, live_row, state_row

from nightturn.model.rows import EventRow, GapRow, RunEnded, TrendRow
from nightturn.telemetry import alarm_payload, commands, payloads
from nightturn.telemetry.commands import Asked
from nightturn.telemetry.night_so_far import NightSoFar
from nightturn.telemetry.payloads import Stamp

PLACE = Path(__file__).resolve().parents[2] / "protocol" / "asyncapi.json"
STAMP = Stamp(7, "b8", RUN, "bench-1")
TREND = TrendRow(
    ts=T0, epoch=0, cycle_no=4, figure="friction_nm", direction=1, strokes=0, value=0.1, u=1e-3, degc=25.0, status="watched",
    reason="", baseline=0.1, scatter=1e-3, sum_up=0.0, sum_down=0.0, threshold=9.8, suspected_cycle_no=None,
)  # fmt: skip


def _night() -> NightSoFar:
    found = NightSoFar()
    found.add(cycle_record())
    return found


def made() -> bytes:
    """The file's content."""
    event_row = event("gap").row
    assert isinstance(event_row, EventRow)
    found = {
        "info": payloads.info({"unit": "U-17", "rated_torque_nm": 15.0}, STAMP, T0),
        "state": payloads.state(state_row("turning"), STAMP, said=_night().said(state_row("turning"))),
        "cycle": payloads.cycle(cycle_record(), STAMP),
        "trend": payloads.trend(TREND, STAMP),
        "live": payloads.live(live_row(torque_mean_nm=0.125), STAMP, T0),
        "event": payloads.event(event_row, STAMP),
        "gap": payloads.gap(GapRow("crc", 3, 100, 119, T0, T0, 20, exact=True), STAMP),
        "run_ended": payloads.run_ended(RunEnded(T0, RUN, "plan done", "plan"), STAMP),
        "command_answer": commands.answer(
            Asked("pan-a1", "stop", "0123456789abcdef", "R. Vale"), STAMP, T0, ok=True, said="stopped"
        ),
        "alarm": alarm_payload.alarm(alarm_row(), STAMP),
    }
    plain = msgspec.to_builtins(document(found, "0.1.0"))
    return json.dumps(plain, indent=1, ensure_ascii=False, sort_keys=False).encode() + b"\n"


if __name__ == "__main__" and "--update" in sys.argv:
    PLACE.write_bytes(made())
