"""Values of the wire by name, those of a later version too."""

from nightturn_protocol import messages as wire
from nightturn_protocol.names import name_of


def test_a_value_has_its_name_in_small_letters() -> None:
    assert name_of(wire.ResetCause, 2) == "watchdog"
    assert name_of(wire.EventCode, wire.EventCode.LEASE_LAPSED, "never this") == "lease_lapsed"


def test_a_value_of_a_later_version_stays_a_number_or_is_called_what_the_caller_says() -> None:
    assert name_of(wire.ResetCause, 77) == "77 (unknown)"
    assert name_of(wire.ResetCause, 77, "cause 77") == "cause 77"
