"""Payloads: keys with their units, values that any JSON reader takes."""

import json
import math
from typing import Any, NoReturn

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.telemetry.watching import RUN, T0, cycle_record, live_row, standing_row, state_row

from nightturn.model.device import DeviceCounters
from nightturn.model.facts import Lock
from nightturn.model.figures import BUDGET, INCOMPLETE, OK, REFUSED, Figure
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.rows import CountersRow, EventRow, GapRow, LiveRow, RunEnded, TrendRow
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.telemetry import payloads
from nightturn.telemetry.cycle_values import MAX_ORDERS
from nightturn.telemetry.moments import utc_text
from nightturn.telemetry.numbers import rounded, rounded_beside
from nightturn.telemetry.payloads import Health, Host, Stamp

NIGHT = NightVerdict(
    "undecided",
    ("friction_nm: 118.0 ± 6.4 mN·m over 4 judged cycles, limit 150 mN·m",),
    (LimitVerdict("friction_nm", "max", "at 3 rpm", 0.118, 0.002, 3.0, 0.15, "accept", 4, guard=0.01),),
    ("friction_nm: 53 more judged cycles",),
    4,
    71,
)
STAMP = Stamp(17, "b7", RUN, "bench-1")
LIMITS = {"rated_torque_nm": 15.0, "accept_max_friction_nm": 0.15, "protect_max_torque_nm": 18.0}
COMMON = {"schema", "v", "ts", "seq", "host", "daemon_boot", "run"}

# a number that is no physical quantity carries no unit: identities, counts, ratios, degrees of freedom
BARE = ("v", "seq", "epoch", "cycle_no", "cycles_done", "cycles_planned", "direction", "record_first", "record_last", "coverage",
        "samples", "missing_samples", "gaps", "index_from", "index_to", "signs", "durable_through")  # fmt: skip
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
SUFFIXES = ("_u95", "_u_common", "_u", "_nu", "_n_rev")


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


def test_an_order_says_where_it_comes_from() -> None:
    named = msgspec.structs.replace(
        cycle_record(), origins=("current of the unit (1 × 16 pole pairs)", "poles of the unit (1 × 32)")
    )
    values = read(payloads.cycle(named, STAMP, LIMITS))
    assert values["order_32_nm_origin"] == "poles of the unit (1 × 32)"
    assert "cogging_order_144_nm_origin" not in values  # a record from before


def test_a_cycle_says_everything_with_its_unit() -> None:
    values = read(payloads.cycle(cycle_record(), STAMP, LIMITS))
    figures = {
        f"{name}{suffix}"
        for name in ("friction_nm", "ripple_pct_rated", "cogging_pp_nm")
        for suffix in ("", "_u95", "_u", "_nu", "_n_rev", "_status", "_kind", "_u_common")
    }
    orders = {"order_16_nm", "order_16_nm_u", "order_32_nm", "order_32_nm_u"}
    cogging = {"cogging_order_144_nm", "cogging_order_144_nm_u"}
    facts = {
        "ts_start", "ts_end", "epoch", "cycle_no", "status", "quality", "reasons", "direction", "speed_rpm",
        "setpoint_nm", "coverage", "verdict", "verdict_reasons", "purpose", "record_first", "record_last", "calibration_id",
        "config_digest", "temp_bearing_degc", "cogging_pp_nm_reasons",
    }  # fmt: skip
    assert set(values) == COMMON | figures | orders | cogging | facts | set(LIMITS)
    assert (values["schema"], values["v"], values["host"]) == ("cycle", 1, "bench-1")
    assert values["ts"] == values["ts_end"] == "2026-03-21T21:00:00.123456Z"
    assert values["ts_start"] == "2026-03-21T20:53:15.123456Z"
    assert (values["seq"], values["daemon_boot"], values["run"]) == (17, "b7", RUN)
    assert (values["friction_nm"], values["friction_nm_u"], values["friction_nm_nu"]) == (0.118, 0.002, 3.0)
    # t(0.975, 3) = 3.182 and t(0.975, 2) = 4.303 by any table of Student's t
    assert (values["friction_nm_u95"], values["ripple_pct_rated_u95"]) == (0.00636, 0.129)
    assert (values["accept_max_friction_nm"], values["rated_torque_nm"]) == (0.15, 15.0)
    assert values["cogging_pp_nm"] is None
    assert values["cogging_pp_nm_u95"] is None
    assert values["cogging_pp_nm_status"] == NOT_JUDGED
    assert values["quality"] == "good"
    assert bare_numbers(values) == []


def test_a_cycle_says_what_its_intervals_hold_and_which_orders_a_figure_contains() -> None:
    whole = Figure(
        "friction_nm",
        0.118,
        0.002,
        3.0,
        n=4,
        kind=BUDGET,
        u_common=0.0012,
        measurand="the rotor",
        band=(1, 700),
        unseen=(864,),
    )
    values = read(payloads.cycle(cycle_record(figures=(whole, Figure("cogging_pp_nm", 0.07))), STAMP))
    assert (values["friction_nm_kind"], values["cogging_pp_nm_kind"]) == ("budget", "repeatability")
    assert (values["friction_nm_u_common"], values["friction_nm_measurand"]) == (0.0012, "the rotor")
    assert (values["friction_nm_band"], values["friction_nm_unseen"]) == ([1, 700], [864])
    assert {"cogging_pp_nm_band", "cogging_pp_nm_unseen", "cogging_pp_nm_measurand"} & set(values) == set()
    assert bare_numbers(values) == []


STATE_KEYS = COMMON | set(LIMITS) | {
    "state", "reason", "unit", "variant", "cycle_no", "cycles_done", "cycles_planned", "phase", "link", "epoch",
    "samples", "gaps", "missing_samples", "waits_for", "permitted_by", "locks", "inputs", "expected_end_ts",
    "night_verdict", "durable_through", "durable_ts", "trends", "need", "sentence", "more", "inside_limits", "strip",
}  # fmt: skip


def test_a_state_says_who_what_how_far_and_until_when() -> None:
    lock = Lock("tripped", "the device reports torque_trip", T0)
    row = state_row("locked", locks=(lock,), waits_for="somebody")
    state = read(payloads.state(row, STAMP, LIMITS, T0 + 10**9))
    assert set(state) == STATE_KEYS
    assert (state["schema"], state["v"], state["host"], state["daemon_boot"]) == ("state", 1, "bench-1", "b7")
    assert (state["state"], state["waits_for"], state["permitted_by"]) == ("locked", "somebody", "R. Vale")
    assert state["locks"] == [
        {"cause": "tripped", "text": "the device reports torque_trip", "ts": "2026-03-21T21:00:00.123456Z"}
    ]
    assert state["inputs"] == {"guard": "closed", "stop_chain": "healthy", "drive": "ready"}
    assert (state["cycle_no"], state["cycles_done"], state["cycles_planned"]) == (4, 3, 71)
    assert state["expected_end_ts"] == "2026-03-21T21:00:01.123456Z"
    assert state["accept_max_friction_nm"] == 0.15
    assert bare_numbers(state) == []


def test_where_no_core_says_it_a_state_has_the_same_keys_and_null_for_what_nobody_knows() -> None:
    state = read(payloads.standing(standing_row("unrecorded"), STAMP, state_row(), LIMITS))
    assert set(state) == STATE_KEYS
    assert (state["state"], state["unit"], state["cycle_no"]) == ("unrecorded", "U-17", 4)
    unknown = {"phase", "link", "inputs", "locks", "permitted_by", "expected_end_ts", "samples"}
    assert {state[name] for name in unknown} == {None}
    nothing = read(payloads.standing(standing_row("no_run", run=""), STAMP, None))
    assert (nothing["state"], nothing["unit"], nothing["cycles_planned"]) == ("no_run", None, None)


def test_live_values_have_their_extremes_one_origin_and_no_zero_where_nothing_is() -> None:
    live = read(payloads.live(live_row(), STAMP))
    assert set(live) == COMMON | {
        "phase", "cycle_no", "position_from_travel_zero_deg", "position_from_travel_zero_min_deg",
        "position_from_travel_zero_max_deg", "torque_nm", "torque_min_nm", "torque_max_nm", "torque_mean_nm", "cycles_done", "cycles_planned", "expected_end_ts", "inputs", "rtt_us", "u_time_us", "temp_bearing_degc", "temp_ambient_degc",
    }  # fmt: skip
    assert live["schema"] == "live"
    assert (live["torque_min_nm"], live["torque_nm"], live["torque_max_nm"]) == (-0.25, 0.125, 0.5)
    assert (live["position_from_travel_zero_deg"], live["temp_ambient_degc"]) == (-12.5, 22.25)
    ends = live["position_from_travel_zero_min_deg"], live["position_from_travel_zero_max_deg"]
    assert ends == (-13.5, -11.25)
    assert bare_numbers(live) == []
    nothing = read(payloads.live(LiveRow(ts=T0, run=RUN, phase="", cycle_no=0), STAMP))
    measured = {
        "position_from_travel_zero_deg",
        "position_from_travel_zero_min_deg",
        "position_from_travel_zero_max_deg",
        "torque_nm",
        "torque_min_nm",
        "torque_max_nm",
        "torque_mean_nm",
        "expected_end_ts",
        "rtt_us",
        "u_time_us",
    }
    assert {nothing[name] for name in measured} == {None}
    assert nothing["inputs"] is None


def test_the_nights_verdict_has_one_shape_so_far_and_at_the_end() -> None:
    row = msgspec.structs.replace(state_row(), night_verdict=NIGHT)
    so_far = read(payloads.state(row, STAMP))["night_verdict"]
    end = read(payloads.run_ended(RunEnded(T0, RUN, "plan done", "plan", NIGHT), STAMP))["night_verdict"]
    assert so_far == end
    assert set(end) == {
        "word",
        "reasons",
        "limits",
        "would_decide",
        "cycles",
        "planned",
        "rule",
        "purpose",
        "engineering_because",
    }
    (limit,) = end["limits"]
    assert limit == {
        "figure": "friction_nm", "direction": "max", "condition": "at 3 rpm", "value": 0.118, "u": 0.002, "nu": 3.0,
        "limit": 0.15, "word": "accept", "cycles_judged": 4, "kind": "repeatability", "guard": 0.01,
    }  # fmt: skip
    assert read(payloads.state(state_row(), STAMP))["night_verdict"] is None


def test_the_course_of_a_figure_says_its_unit_once_and_its_times_as_text() -> None:
    row = TrendRow(
        ts=T0, epoch=3, cycle_no=91, figure="ripple_pp_nm", direction=-1, strokes=4550, value=0.0712345678, u=1e-4, degc=None,
        status="changed", reason="stepped up", baseline=0.07, scatter=2e-4, sum_up=9.123456789, sum_down=0.0, threshold=9.8,
        suspected_cycle_no=None, changed_cycle_no=80, ts_changed=T0 - 10**12, not_before_strokes=12_000.0,
    )  # fmt: skip
    told = read(payloads.trend(row, STAMP))
    assert (told["schema"], told["unit"], told["figure"], told["cycle_no"]) == (
        "trend",
        "N·m",
        "ripple_pp_nm",
        91,
    )
    assert told["value"] == rounded(row.value)
    assert (told["slope_per_hour"], told["not_before_strokes"], told["degc"]) == (None, 12_000.0, None)
    assert str(told["ts_changed"]).endswith("Z")
    assert told["ts_changed_to"] is None
    assert set(told) == COMMON | {"unit"} | {name for name in TrendRow.__struct_fields__ if name != "ts"}


def test_events_gaps_and_ends_carry_the_common_keys() -> None:
    row = EventRow(T0, 3, 9, "overload", "alarm", "torque 18.4 N·m is above 18.0 N·m", 18.4)
    event = read(payloads.event(row, STAMP))
    spread = {"ts_from", "ts_to", "signs"}
    assert set(event) == COMMON | {"epoch", "kind", "severity", "detail"} | spread
    gap = read(payloads.gap(GapRow("crc", 3, 100, 119, T0, T0 + 2_000_000, 20, exact=True), STAMP))
    assert (gap["missing_samples"], gap["ts_to"]) == (20, "2026-03-21T21:00:00.125456Z")
    assert gap["ts"] == gap["ts_to"]
    ended = RunEnded(T0, "20260321T220000Z-0001", "plan done", "plan", NIGHT)
    end = read(payloads.run_ended(ended, STAMP))
    assert set(end) == COMMON | {"kind", "reason", "by", "night_verdict"}
    assert (end["run"], end["reason"], end["by"]) == ("20260321T220000Z-0001", "plan done", "plan")
    assert [each["schema"] for each in (event, gap, end)] == ["event", "gap", "run_ended"]
    for values in (event, gap, end):
        assert set(values) >= COMMON
        assert bare_numbers(values) == []


def test_an_event_that_stands_for_many_signs_says_how_many_and_from_when_to_when() -> None:
    row = EventRow(
        T0, 3, 0, "repeated", "warning", "adc_saturated 12 times", ts_from=T0 - 10**9, ts_to=T0, signs=12
    )
    many = read(payloads.event(row, STAMP))
    assert (many["signs"], many["ts_to"]) == (12, "2026-03-21T21:00:00.123456Z")
    assert many["ts_from"] == "2026-03-21T20:59:59.123456Z"
    assert bare_numbers(many) == []
    one = read(payloads.event(EventRow(T0, 3, 9, "restarted", "info", "the device restarted"), STAMP))
    assert (one["signs"], one["ts_from"], one["ts_to"]) == (1, None, None)


def test_facts_cannot_replace_the_common_keys() -> None:
    values = read(payloads.info({"v": 99, "seq": -1, "transducer": "TR-204"}, STAMP, T0))
    assert (values["v"], values["seq"], values["transducer"]) == (1, 17, "TR-204")


HOST = Host("bench-1", "b7", "0.1.0", 20)


def test_the_host_says_since_when_and_its_will_only_when_it_was_lodged() -> None:
    host = read(payloads.host_online(HOST, T0, "running"))
    assert host == {
        "schema": "host", "v": 1, "ts": "2026-03-21T21:00:00.123456Z", "lodged_ts": None, "host": "bench-1",
        "daemon_boot": "b7", "state": "online", "reason": "running", "version": "0.1.0", "keepalive_s": 20,
    }  # fmt: skip
    left = read(payloads.host_left(HOST, T0, "stopped"))
    assert left == {**host, "state": "offline", "reason": "stopped"}
    will = read(payloads.last_will(HOST, T0, "connection lost"))
    lodged = {"ts": None, "lodged_ts": host["ts"]}
    assert will == {**left, **lodged, "reason": "connection lost"}


def test_health_has_the_common_keys_and_null_for_a_device_that_says_nothing() -> None:
    health = read(
        payloads.health(Health(1, utc_text(T0), 17, "b7", RUN, "bench-1", 1, 2, 3, 4, 5, 6, expiry=False))
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
    own = Health(1, utc_text(T0), 17, "b7", RUN, "bench-1", 1, 2, 3, 4, 5, 6, expiry=False)
    counted = DeviceCounters(leases_refused=2, adc_overrange=3, encoder_errors=4, tx_stalls=5, cpu_pct=None)
    health = read(payloads.health(own, CountersRow(T0, counted, 4711, T0)))
    assert (health["durable_through"], health["durable_ts"]) == (4711, utc_text(T0))
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
    for name, exact in (("friction_nm_u", u), ("speed_rpm", value)):
        assert values[name] == (pytest.approx(exact, rel=5e-3) if math.isfinite(exact) else None)
    off = abs(u) if math.isfinite(u) and u > 0 else abs(value) * 1e-3
    finite = math.isfinite(value)
    assert values["friction_nm"] == (pytest.approx(value, abs=0.01 * off) if finite else None)


@pytest.mark.parametrize(
    ("value", "u", "sent"),
    [
        (0.1154263, 0.0001123, 0.115426),  # to the third digit of u
        (1154.263, 11.2, 1154.3),
        (0.115426378, None, 0.115426),
        (115426378.0, None, 115426000.0),
        (-0.0, 0.01, 0.0),
        (1.7976931348623155e308, 9.9e294, 1.7976931348623155e308),  # rounded up it would be infinite
    ],
)
def test_a_value_has_the_digits_that_its_uncertainty_gives_it(
    value: float, u: float | None, sent: float
) -> None:
    assert rounded_beside(value, u) == sent


def test_only_the_largest_orders_travel() -> None:
    table = tuple((order, order * 0.001, 0.0, 0.0001) for order in range(1, 100))
    values = read(payloads.cycle(cycle_record(orders=table), STAMP))
    sent = [key for key in values if key.startswith("order_") and key.endswith("_nm")]
    assert len(sent) == MAX_ORDERS
    assert "order_99_nm" in sent
    assert "order_1_nm" not in sent


@given(st.integers(0, 4_102_444_800 * 10**9))
def test_times_keep_their_microseconds(ns: int) -> None:
    from datetime import datetime

    text = utc_text(ns)
    parsed = datetime.fromisoformat(text)
    whole = parsed.replace(microsecond=0).timestamp()
    assert int(whole) * 1_000_000 + parsed.microsecond == ns // 1000
    assert len(text) == len("2026-01-31T23:59:59.000001Z")
