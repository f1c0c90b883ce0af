"""Payloads: keys with their units, values that any JSON reader takes."""

import json
import math
from typing import Any, NoReturn

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.telemetry.watching import RUN, T0, cycle_record, state_row

from nightturn.model.device import DeviceCounters
from nightturn.model.figures import INCOMPLETE, OK, REFUSED, Figure
from nightturn.model.rows import EventRow, GapRow, RunEnded
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.telemetry import payloads
from nightturn.telemetry.payloads import Health, Stamp

STAMP = Stamp(17, "b7", RUN)
COMMON = {"v", "ts", "seq", "daemon_boot", "run"}

# a number that is no physical quantity carries no unit: identities, counts, ratios, degrees of freedom
BARE = ("v", "seq", "epoch", "cycle_no", "cycles_planned", "direction", "record_first", "record_last", "coverage",
        "samples", "missing_samples", "gaps", "index_from", "index_to")  # fmt: skip
UNIT_ENDINGS = (
    "_nm",
    "_rpm",
    "_deg",
    "_degc",
    "_us",
    "_pct",
    "_pct_rated",
    "_messages",
    "_rows",
    "_leases",
    "_samples",
    "_errors",
    "_stalls",
    "reconnects",
)
SUFFIXES = ("_u", "_nu", "_n_rev")


def read(payload: bytes) -> dict[str, Any]:
    """As a strict reader would: the standard (RFC 8259 section 6) knows no NaN and no Infinity."""
    decoded = json.loads(payload, parse_constant=_no_constant)
    assert isinstance(decoded, dict)
    return decoded


def _no_constant(text: str) -> NoReturn:
    raise AssertionError(text)


def bare_numbers(values: dict[str, Any]) -> list[str]:
    """Keys with a number but neither a unit nor a place among the unitless."""
    found = []
    for key, value in values.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or key in BARE:
            continue
        name = next((key.removesuffix(suffix) for suffix in SUFFIXES if key.endswith(suffix)), key)
        if not name.endswith(UNIT_ENDINGS):
            found.append(key)
    return found


def test_a_cycle_says_everything_with_its_unit() -> None:
    values = read(payloads.cycle(cycle_record(), STAMP))
    figures = {
        f"{name}{suffix}"
        for name in ("friction_nm", "ripple_pct_rated", "cogging_pp_nm")
        for suffix in ("", "_u", "_nu", "_n_rev", "_status")
    }
    orders = {"order_16_nm", "order_16_nm_u", "order_32_nm", "order_32_nm_u"}
    cogging = {"cogging_order_144_nm", "cogging_order_144_nm_u"}
    facts = {
        "ts_start", "ts_end", "epoch", "cycle_no", "status", "quality", "reasons", "direction", "speed_rpm",
        "setpoint_nm", "coverage", "verdict", "verdict_reasons", "record_first", "record_last", "calibration_id",
        "config_digest", "temp_bearing_degc", "cogging_pp_nm_reasons",
    }  # fmt: skip
    assert set(values) == COMMON | figures | orders | cogging | facts
    assert values["v"] == 1
    assert values["ts"] == values["ts_end"] == "2026-03-21T21:00:00.123456Z"
    assert values["ts_start"] == "2026-03-21T20:53:15.123456Z"
    assert (values["seq"], values["daemon_boot"], values["run"]) == (17, "b7", RUN)
    assert (values["friction_nm"], values["friction_nm_u"], values["friction_nm_nu"]) == (0.118, 0.002, 3.0)
    assert values["cogging_pp_nm"] is None
    assert values["cogging_pp_nm_status"] == NOT_JUDGED
    assert values["quality"] == "good"
    assert bare_numbers(values) == []


def test_state_and_live_values_part_what_stands_from_what_moves() -> None:
    state, live = read(payloads.state(state_row(), STAMP)), read(payloads.live(state_row(), STAMP))
    assert set(state) == COMMON | {
        "state", "reason", "unit", "variant", "cycle_no", "cycles_planned", "phase", "link", "epoch", "samples",
        "gaps", "missing_samples", "waits_for", "permitted_by",
    }  # fmt: skip
    assert (state["state"], state["reason"]) == ("turning", "turning, permitted by R. Vale")
    assert (state["waits_for"], state["permitted_by"]) == ("", "R. Vale")
    assert set(live) == COMMON | {
        "phase", "cycle_no", "position_deg", "torque_nm", "rtt_us", "u_time_us", "temp_bearing_degc",
        "temp_ambient_degc",
    }  # fmt: skip
    assert (live["torque_nm"], live["temp_ambient_degc"]) == (0.125, 22.25)
    assert bare_numbers(state) == bare_numbers(live) == []


def test_events_gaps_alarms_and_ends_carry_the_common_keys() -> None:
    row = EventRow(T0, 3, 9, "overload", "alarm", "torque 18.4 N·m is above 18.0 N·m", 18.4)
    event, alarm = read(payloads.event(row, STAMP)), read(payloads.alarm(row, STAMP))
    assert set(event) == COMMON | {"epoch", "kind", "severity", "detail"}
    assert alarm == {**event, "state": "active"}
    gap = read(payloads.gap(GapRow("crc", 3, 100, 119, T0, T0 + 2_000_000, 20, exact=True), STAMP))
    assert (gap["missing_samples"], gap["ts_to"]) == (20, "2026-03-21T21:00:00.125456Z")
    assert gap["ts"] == gap["ts_to"]
    end = read(payloads.run_ended(RunEnded(T0, "20260321T220000Z-0001", "plan done", "plan"), STAMP))
    assert end["run"] == "20260321T220000Z-0001"
    for values in (event, gap, end):
        assert set(values) >= COMMON
        assert bare_numbers(values) == []


def test_facts_cannot_replace_the_common_keys() -> None:
    values = read(payloads.info({"v": 99, "seq": -1, "transducer": "TR-204"}, STAMP, T0))
    assert (values["v"], values["seq"], values["transducer"]) == (1, 17, "TR-204")


def test_host_state_and_health() -> None:
    host = read(payloads.host_state("online", reason="running", version="0.1.0", daemon_boot="b7", ts_ns=T0))
    assert host == {
        "v": 1, "ts": "2026-03-21T21:00:00.123456Z", "daemon_boot": "b7", "state": "online", "reason": "running",
        "version": "0.1.0",
    }  # fmt: skip
    health = read(
        payloads.health(Health(1, payloads.utc_text(T0), 17, "b7", RUN, 1, 2, 3, 4, 5, 6, expiry=False))
    )
    assert set(health) >= COMMON
    assert bare_numbers(health) == []
    assert {name: value for name, value in health.items() if name.startswith("device_")} == {
        "device_refused_leases": None,
        "device_overrange_samples": None,
        "device_encoder_errors": None,
        "device_line_stalls": None,
        "device_cpu_pct": None,
    }


def test_health_carries_what_the_device_counts_and_null_for_what_its_board_does_not() -> None:
    own = Health(1, payloads.utc_text(T0), 17, "b7", RUN, 1, 2, 3, 4, 5, 6, expiry=False)
    counted = DeviceCounters(leases_refused=2, adc_overrange=3, encoder_errors=4, tx_stalls=5, cpu_pct=None)
    health = read(payloads.health(own, counted))
    assert bare_numbers(health) == []
    assert (health["device_refused_leases"], health["device_overrange_samples"]) == (2, 3)
    assert (health["device_encoder_errors"], health["device_line_stalls"]) == (4, 5)
    assert health["device_cpu_pct"] is None
    assert health["queued_messages"] == 1


@pytest.mark.parametrize(
    ("status", "figure_states", "quality"),
    [
        (OK, (OK, OK), "good"),
        (OK, (OK, NOT_JUDGED), "good"),
        (OK, (OK, INCOMPLETE), "uncertain"),
        (OK, (OK, REFUSED), "uncertain"),
        (INCOMPLETE, (OK, OK), "uncertain"),
        (INCOMPLETE, (INCOMPLETE, REFUSED), "bad"),
        (REFUSED, (OK, OK), "bad"),
        (OK, (NOT_JUDGED,), "bad"),
        (OK, (), "bad"),
    ],
)
def test_quality_is_one_word_for_a_whole_cycle(
    status: str, figure_states: tuple[str, ...], quality: str
) -> None:
    figures = tuple(Figure(f"f{i}_nm", 1.0, status=word) for i, word in enumerate(figure_states))
    assert read(payloads.cycle(cycle_record(status=status, figures=figures), STAMP))["quality"] == quality


@given(st.floats(), st.floats(), st.one_of(st.none(), st.floats()))
def test_no_value_makes_invalid_json(value: float, u: float, nu: float | None) -> None:
    record = cycle_record(figures=(Figure("friction_nm", value, u, nu),), speed_rpm=value, coverage=u)
    values = read(payloads.cycle(record, STAMP))
    assert values["friction_nm"] == (value if math.isfinite(value) else None)
    assert values["friction_nm_u"] == (u if math.isfinite(u) else None)


def test_only_the_largest_orders_travel() -> None:
    table = tuple((order, order * 0.001, 0.0, 0.0001) for order in range(1, 100))
    values = read(payloads.cycle(cycle_record(orders=table), STAMP))
    sent = [key for key in values if key.startswith("order_") and key.endswith("_nm")]
    assert len(sent) == payloads.MAX_ORDERS
    assert "order_99_nm" in sent
    assert "order_1_nm" not in sent


@given(st.integers(0, 4_102_444_800 * 10**9))
def test_times_keep_their_microseconds(ns: int) -> None:
    from datetime import datetime

    text = payloads.utc_text(ns)
    parsed = datetime.fromisoformat(text)
    whole = parsed.replace(microsecond=0).timestamp()
    assert int(whole) * 1_000_000 + parsed.microsecond == ns // 1000
    assert len(text) == len("2026-01-31T23:59:59.000001Z")
