"""The permission by itself: every pair of state and cause against the contract, and what no order of causes may do."""

import itertools

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.motion.permission import (
    FOR_A_PERSON,
    REASONS_MAX,
    Cause,
    LockReason,
    MotionState,
    Permission,
)

# Written from the contract, not from the table in the code: a row for each state, a column for each cause, in the
# order of CAUSES. "-" leaves everything as it is; "=" is taken and changes no state. A stop leads to its target.
# The end of a run takes permission away at once and for good, so its state is `ended` while the shaft still comes to
# rest; that somebody looks until it stands, and says so when it does not, is the run's (simulation/test_motion_ends).
CAUSES = "go resumed ready counted_down lapsed pause stop finished intervention tripped new_boot lost still not_still parked"
CONTRACT = """
locked    allowed allowed - - - - ended ended = = = - - = -
allowed   - - announced - locked paused ended ended locked locked locked - - - -
announced - - - turning locked paused ended ended locked locked locked locked - - -
turning   - - - - - stopping ended ended stopping stopping stopping stopping - - stopping
stopping  - - - - - = ended ended = = = = target locked -
paused    allowed - - - - - ended ended locked locked locked - - locked -
ended     - - - - - - - - - - - - - - -
"""
EXPECTED = {
    (MotionState(row.split()[0]), Cause(cause)): word
    for row in CONTRACT.strip().splitlines()
    for cause, word in zip(CAUSES.split(), row.split()[1:], strict=True)
}
LEADS_ON = {Cause.GO, Cause.RESUMED}
MORE = [  # from less to more; a stop counts as what it leads to
    MotionState.ENDED,
    MotionState.LOCKED,
    MotionState.PAUSED,
    MotionState.ALLOWED,
    MotionState.ANNOUNCED,
    MotionState.TURNING,
]
causes = st.lists(st.sampled_from(Cause), max_size=30)
Order = list[Cause]


def in_state(state: MotionState, target: MotionState = MotionState.LOCKED) -> Permission:
    return Permission(state=state, target=target, text="before", since_ns=1)


def take(permission: Permission, cause: Cause, at_ns: int = 5) -> MotionState | None:
    """The state after the cause; None when it was not taken."""
    change = permission.take(cause, cause.value, at_ns=at_ns, ts=at_ns, by="R. Vale")
    return None if change is None else change.now


def turning() -> Permission:
    permission = Permission()
    for cause in (Cause.GO, Cause.READY, Cause.COUNTED_DOWN):
        assert take(permission, cause) is not None
    assert permission.may_turn
    return permission


def reaches(permission: Permission) -> int:
    state = permission.target if permission.state is MotionState.STOPPING else permission.state
    return MORE.index(state)


def test_the_contract_names_every_pair() -> None:
    assert set(EXPECTED) == set(itertools.product(MotionState, Cause))
    assert len(EXPECTED) == 7 * 15


@pytest.mark.parametrize(("state", "cause"), EXPECTED, ids=lambda word: word.value)
@pytest.mark.parametrize("target", [MotionState.LOCKED, MotionState.PAUSED, MotionState.ALLOWED])
def test_every_pair_of_state_and_cause_leads_where_the_contract_says(
    state: MotionState, cause: Cause, target: MotionState
) -> None:
    permission, word = in_state(state, target), EXPECTED[state, cause]
    before = msgspec.structs.asdict(permission)
    now = take(permission, cause)
    if word == "-":
        assert now is None
        assert msgspec.structs.asdict(permission) == before
        return
    assert now is permission.state
    assert now is {"=": state, "target": target}.get(word, now)
    assert word in {"=", "target"} or now == word
    assert permission.since_ns == (1 if now is state else 5)


def test_a_change_says_from_where_to_where_why_and_whose_word_it_was() -> None:
    change = Permission().take(Cause.GO, "permitted by R. Vale", at_ns=7, ts=8, by="R. Vale")
    assert change is not None
    assert (change.was, change.now, change.cause) == (MotionState.LOCKED, MotionState.ALLOWED, Cause.GO)
    assert (change.text, change.by) == ("permitted by R. Vale", "R. Vale")


@given(causes)
def test_no_order_of_causes_without_a_go_or_a_resume_ever_turns(order: Order) -> None:
    permission = Permission()
    for cause in order:
        if cause in LEADS_ON:
            continue
        take(permission, cause)
        permission.resume_after_stop()
        assert permission.state in {MotionState.LOCKED, MotionState.ENDED}


@given(causes, st.sampled_from(sorted(FOR_A_PERSON)), causes)
def test_after_what_a_person_has_to_see_to_only_a_go_leads_on(
    before: Order, cause: Cause, after: Order
) -> None:
    permission = Permission()
    for each in before:
        take(permission, each)
    if take(permission, cause) is None:
        return
    for each in after:
        if each is Cause.GO:
            continue
        take(permission, each)
        permission.resume_after_stop()
        assert permission.state in {MotionState.LOCKED, MotionState.STOPPING, MotionState.ENDED}
        assert permission.state is not MotionState.STOPPING or permission.target is MotionState.LOCKED


@given(causes, st.sampled_from([Cause.STOP, Cause.FINISHED]), causes)
def test_the_end_is_final(before: Order, end: Cause, after: Order) -> None:
    permission = Permission()
    for each in before:
        take(permission, each)
    take(permission, end)
    assert permission.state is MotionState.ENDED
    for each in after:
        assert take(permission, each) is None
        permission.resume_after_stop()
        assert permission.state is MotionState.ENDED


@given(st.lists(st.tuples(st.sampled_from(Cause), st.booleans()), max_size=12))
def test_a_stop_never_leads_to_more_than_before(order: list[tuple[Cause, bool]]) -> None:
    """Only the loss of a line that nobody wished may lead back to permission, and only before anybody said otherwise."""
    permission = turning()
    steps = [cause for cause, _ in order]
    for cause, asks in order:
        reached = reaches(permission)
        was = permission.state
        taken = take(permission, cause)
        if asks and taken is MotionState.STOPPING and cause is Cause.LOST:
            permission.resume_after_stop()
        if cause not in LEADS_ON | {Cause.READY, Cause.COUNTED_DOWN, Cause.LOST}:
            assert reaches(permission) <= reached
        if was is MotionState.STOPPING and reached == MORE.index(MotionState.PAUSED):
            assert reaches(permission) <= reached, steps


def test_a_pause_is_kept_when_the_line_is_lost_before_the_shaft_stands() -> None:
    permission = turning()
    take(permission, Cause.PAUSE)
    take(permission, Cause.LOST)
    permission.resume_after_stop()
    assert take(permission, Cause.STILL) is MotionState.PAUSED


def test_a_pause_ends_a_resume_that_is_under_way() -> None:
    permission = turning()
    take(permission, Cause.LOST)
    permission.resume_after_stop()
    take(permission, Cause.PAUSE)
    assert take(permission, Cause.STILL) is MotionState.PAUSED


def test_a_lost_line_leads_back_to_permission_only_when_asked_and_is_counted() -> None:
    permission = turning()
    permission.permit("R. Vale", at_ns=3, record_no=9)
    take(permission, Cause.LOST)
    permission.resume_after_stop()
    assert take(permission, Cause.STILL) is MotionState.ALLOWED
    assert (permission.resumes, permission.resuming, permission.by) == (1, True, "R. Vale")
    take(permission, Cause.READY)
    take(permission, Cause.COUNTED_DOWN)
    take(permission, Cause.LOST)
    assert take(permission, Cause.STILL) is MotionState.LOCKED
    assert [reason.cause for reason in permission.reasons] == [Cause.LOST]
    take(permission, Cause.GO)
    permission.permit("A. Roe", at_ns=4, record_no=12)
    assert (permission.resumes, permission.resuming, permission.go_ns) == (0, False, 4)


@pytest.mark.parametrize("cause", sorted(FOR_A_PERSON - {Cause.LAPSED, Cause.PARKED}))
def test_what_comes_while_the_shaft_stops_is_a_reason_that_no_resume_clears(cause: Cause) -> None:
    permission = turning()
    take(permission, Cause.LOST)
    permission.resume_after_stop()
    take(permission, cause)
    permission.resume_after_stop()
    take(permission, Cause.STILL)
    assert permission.state is MotionState.LOCKED
    assert [reason.cause for reason in permission.reasons] == [cause]
    assert take(permission, Cause.RESUMED) is None
    assert take(permission, Cause.GO) is MotionState.ALLOWED
    assert permission.reasons == []


def test_a_park_waits_for_a_person_also_when_the_line_is_lost_before_the_shaft_stands() -> None:
    permission = turning()
    take(permission, Cause.PARKED)
    assert [reason.cause for reason in permission.reasons] == [Cause.PARKED]
    take(permission, Cause.LOST)
    permission.resume_after_stop()
    assert take(permission, Cause.STILL) is MotionState.LOCKED
    assert [reason.cause for reason in permission.reasons] == [Cause.PARKED]
    assert take(permission, Cause.RESUMED) is None


def test_reasons_are_kept_once_each_and_the_oldest_stay() -> None:
    permission = Permission()
    for number in range(3 * REASONS_MAX):
        for _ in range(2):
            permission.take(Cause.TRIPPED, f"trip {number}", at_ns=number, ts=number)
    assert [reason.text for reason in permission.reasons] == [
        f"trip {number}" for number in range(REASONS_MAX)
    ]
    assert permission.reasons[0] == LockReason(Cause.TRIPPED, "trip 0", 0)


@given(st.lists(st.tuples(st.sampled_from(Cause), st.text(max_size=5)), max_size=120))
def test_reasons_are_bounded_whatever_happens(order: list[tuple[Cause, str]]) -> None:
    permission = Permission()
    for cause, text in order:
        permission.take(cause, text, at_ns=1, ts=1)
        assert len(permission.reasons) <= REASONS_MAX
        assert not (permission.may_turn and permission.reasons)


def test_two_permissions_share_no_reasons() -> None:
    one, other = Permission(), Permission()
    take(one, Cause.TRIPPED)
    assert other.reasons == []
