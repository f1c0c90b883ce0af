"""The life of an alarm as a table.

States and their names follow what public summaries say of the open alarm standards (states of unacknowledged, acknowledged and
returned alarms, latching, shelving, suppression by design, out of service), not the standards themselves. Where an alarm calls nobody
(explained, set aside, out of service) is kept beside its state: it lives on there.
"""

from collections.abc import Mapping
from enum import StrEnum

from nightturn.model.alarms import AlarmState


class Input(StrEnum):
    """What moves an alarm.

    `RAISE`: its cause is there. `RETURN`: it is gone. `LATCH`: it is gone, and a person has to confirm that. `CLEAR`: it is gone, and
    nobody has to know. `ACKNOWLEDGE`: a person knows.
    """

    RAISE = "raise"
    RETURN = "gone"
    LATCH = "latch"
    CLEAR = "clear"
    ACKNOWLEDGE = "acknowledge"


_S, _I = AlarmState, Input
TABLE: Mapping[AlarmState, Mapping[Input, AlarmState]] = {
    _S.NORMAL: {_I.RAISE: _S.ACTIVE},
    _S.ACTIVE: {
        _I.ACKNOWLEDGE: _S.ACKNOWLEDGED,
        _I.RETURN: _S.RETURNED,
        _I.LATCH: _S.RETURNED,
        _I.CLEAR: _S.NORMAL,
    },
    _S.ACKNOWLEDGED: {_I.RAISE: _S.ACTIVE, _I.RETURN: _S.NORMAL, _I.LATCH: _S.LATCHED, _I.CLEAR: _S.NORMAL},
    _S.RETURNED: {_I.RAISE: _S.ACTIVE, _I.ACKNOWLEDGE: _S.NORMAL},
    _S.LATCHED: {_I.RAISE: _S.ACTIVE, _I.ACKNOWLEDGE: _S.NORMAL},
}
THERE = frozenset({AlarmState.ACTIVE, AlarmState.ACKNOWLEDGED})
"""States in which the cause is there."""


def moved(state: AlarmState, given: Input) -> AlarmState | None:
    """The next state; None where the input changes nothing."""
    return TABLE[state].get(given)
