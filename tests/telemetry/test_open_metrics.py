"""The OpenMetrics text is read by the parser of another project (prometheus_client.openmetrics.parser), value by value."""

import msgspec
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from tests.telemetry.watching import T0, alarm_row, live_row, standing_row, state_row

from nightturn.telemetry.open_metrics import CONTENT_TYPE, STATES, Seen, exposition
from nightturn.telemetry.publisher import Counters

BROKER = Counters(queued=7, published=900, dropped=3, refused=1, unpublishable=0, connects=2)


def values(text: bytes) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text.decode())  # type: ignore[no-untyped-call]  # of its maker
        for sample in family.samples
    }


def test_another_parser_reads_every_value_and_what_is_not_known_has_none() -> None:
    state = msgspec.structs.replace(state_row("turning"), samples=12_000, missing=4, durable_utc_ns=T0)
    fixtures = {
        "pan-a1": Seen(state, live_row()),
        "pan-a2": Seen(standing_row("no_run"), live_row(torque_nm=None)),
        "pan-b1": Seen(),
    }
    alarms = [alarm_row(), alarm_row("too_hot", "acknowledged"), alarm_row("x", severity="today")]
    text = exposition('quill"fen', "0.1.0", fixtures, alarms, BROKER, connected=True)
    assert text.endswith(b"\n# EOF\n")
    found = values(text)
    lab = ("lab", 'quill"fen')
    assert found["nightturn_samples_total", (("fixture", "pan-a1"), lab)] == 12_000
    assert found["nightturn_durable_timestamp_seconds", (("fixture", "pan-a1"), lab)] == pytest.approx(
        T0 / 1e9
    )
    assert found["nightturn_torque_newton_meters", (("fixture", "pan-a1"), lab)] == 0.125
    assert found["nightturn_temperature_celsius", (("fixture", "pan-a1"), lab, ("role", "bearing"))] == 31.5
    assert ("nightturn_torque_newton_meters", (("fixture", "pan-a2"), lab)) not in found
    assert not any(("fixture", "pan-b1") in labels for _, labels in found)
    on = [
        labels for (name, labels), value in found.items() if name == "nightturn_fixture_state" and value == 1
    ]
    assert {dict(labels)["nightturn_fixture_state"] for labels in on} == {"turning", "no_run"}
    assert found["nightturn_alarms_open", (("calls", "yes"), lab, ("severity", "act now"))] == 1
    assert found["nightturn_alarms_open", (("calls", "no"), lab, ("severity", "act now"))] == 1
    assert found["nightturn_mqtt_dropped_messages_total", (lab,)] == 3
    assert found["nightturn_mqtt_connected", (lab,)] == 1


def test_without_a_broker_and_fixtures_the_text_is_whole_all_the_same() -> None:
    found = values(exposition("quillfen", "0.1.0", {}, []))
    assert ("nightturn_build_info", (("lab", "quillfen"), ("version", "0.1.0"))) in found
    assert not any(name.startswith("nightturn_mqtt") for name, _ in found)
    assert "version=1.0.0" in CONTENT_TYPE
    assert len(set(STATES)) == len(STATES)
