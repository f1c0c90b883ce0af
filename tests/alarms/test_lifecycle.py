"""The life of an alarm, every pair of state and input.

The states are those that public summaries of the open alarm standards name (unacknowledged, acknowledged, returned and unacknowledged,
latched), from such summaries, not from the standards themselves.
"""

from itertools import product

import pytest

from nightturn.alarms.lifecycle import TABLE, THERE, Input, moved
from nightturn.model.alarms import AlarmState

S, GIVEN = AlarmState, Input
CHANGES = {
    (S.NORMAL, GIVEN.RAISE): S.ACTIVE,
    (S.ACTIVE, GIVEN.ACKNOWLEDGE): S.ACKNOWLEDGED,
    (S.ACTIVE, GIVEN.RETURN): S.RETURNED,
    (S.ACTIVE, GIVEN.LATCH): S.RETURNED,
    (S.ACTIVE, GIVEN.CLEAR): S.NORMAL,
    (S.ACKNOWLEDGED, GIVEN.RAISE): S.ACTIVE,
    (S.ACKNOWLEDGED, GIVEN.RETURN): S.NORMAL,
    (S.ACKNOWLEDGED, GIVEN.LATCH): S.LATCHED,
    (S.ACKNOWLEDGED, GIVEN.CLEAR): S.NORMAL,
    (S.RETURNED, GIVEN.RAISE): S.ACTIVE,
    (S.RETURNED, GIVEN.ACKNOWLEDGE): S.NORMAL,
    (S.LATCHED, GIVEN.RAISE): S.ACTIVE,
    (S.LATCHED, GIVEN.ACKNOWLEDGE): S.NORMAL,
}


@pytest.mark.parametrize(("state", "given"), list(product(AlarmState, Input)))
def test_a_pair_leads_where_the_table_of_the_standards_says_or_changes_nothing(
    state: AlarmState, given: Input
) -> None:
    assert moved(state, given) == CHANGES.get((state, given))


def test_nobody_loses_an_alarm_that_nobody_has_acknowledged_by_its_return() -> None:
    ended = {given for given, now in TABLE[AlarmState.ACTIVE].items() if now is AlarmState.NORMAL}
    assert ended == {Input.CLEAR}  # given to notes, and to what another alarm explains
    assert AlarmState.RETURNED not in THERE
