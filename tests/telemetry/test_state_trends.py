"""The state says what the course of figures asks of people; where no core says anything, nobody knows."""

import msgspec
from tests.telemetry.test_payloads import LIMITS, STAMP, read
from tests.telemetry.watching import T0, standing_row, state_row

from nightturn.model.trends import Notice
from nightturn.telemetry import payloads


def test_a_state_says_what_the_course_of_figures_asks_of_people() -> None:
    said = "friction, turning positive, rises since 2026-11-28 02:47 +00:00"
    notice = Notice("friction_nm", 1, "change", "act now", T0, said, "Consistent with wear.")
    row = msgspec.structs.replace(state_row(), trends=(notice,))
    assert read(payloads.state(row, STAMP))["trends"] == [
        {
            "figure": "friction_nm",
            "direction": 1,
            "condition": "change",
            "urgency": "act now",
            "since_ts": read(payloads.state(row, STAMP))["ts"],
            "said": said,
            "because": "Consistent with wear.",
        }
    ]
    assert read(payloads.state(state_row(), STAMP))["trends"] == []
    assert read(payloads.standing(standing_row("unrecorded"), STAMP, row, LIMITS))["trends"] is None
