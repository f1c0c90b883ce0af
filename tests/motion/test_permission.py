"""Motion permission: every pair of state and cause, and what no order of causes may do."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.motion.permission import FOR_A_PERSON, REASONS_MAX, TABLE, Cause, MotionState, Permission

L, A, N, T, S, P, E = (
    MotionState.LOCKED,
    MotionState.ALLOWED,
    MotionState.ANNOUNCED,
    MotionState.TURNING,
    MotionState.STOPPING,
    MotionState.PAUSED,
    MotionState.ENDED,
)
COLUMNS = (L, A, N, T, S, P, E)
# What each cause makes of each state, in the order of COLUMNS; None leaves everything as it is. A stop under way leads
# to its target when the shaft stands, here `locked`.
EXPECTED: dict[Cause, tuple[MotionState | None, ...]] = {
    Cause.GO: (A, None, None, None, None, A, None),
    Cause.RESUMED: (A, None, None, None, None, None, None),
    Cause.READY: (None, N, None, None, None, None, None),
    Cause.COUNTED_DOWN: (None, None, T, None, None, None, None),
    Cause.LAPSED: (None, L, L, None, None, None, None),
    Cause.PAUSE: (None, P, P, S, S, None, None),
    Cause.STOP: (E, E, E, E, E, E, None),
    Cause.FINISHED: (E, E, E, E, E, E, None),
    Cause.INTERVENTION: (L, L, L, S, S, L, None),
    Cause.TRIPPED: (L, L, L, S, S, L, None),
    Cause.NEW_BOOT: (L, L, L, S, S, L, None),
    Cause.LOST: (None, None, L, S, S, None, None),
    Cause.STILL: (None, None, None, None, L, None, None),
    Cause.NOT_STILL: (L, None, None, None, L, L, None),
}
causes = st.sampled_from(list(Cause))


def after(permission: Permission, *happened: Cause) -> Permission:
    for number, cause in enumerate(happened):
        permission.take(cause, cause.value, at_ns=number, ts=number, by="R. Vale")
    return permission


def test_every_cause_is_in_the_table_of_this_test() -> None:
    assert set(EXPECTED) == set(Cause)
    assert set(TABLE) == set(MotionState)


@pytest.mark.parametrize("cause", list(Cause))
@pytest.mark.parametrize("state", list(MotionState))
def test_each_pair_of_state_and_cause(state: MotionState, cause: Cause) -> None:
    permission = Permission(state=state)
    change = permission.take(cause, "it happened", at_ns=7, ts=8, by="R. Vale")
    expected = EXPECTED[cause][COLUMNS.index(state)]
    if expected is None:
        assert change is None
        assert permission == Permission(state=state)
        return
    assert change is not None
    assert (change.was, change.now, permission.state) == (state, expected, expected)


@given(st.lists(causes, max_size=40))
def test_nothing_turns_without_a_go_or_a_resume(happened: list[Cause]) -> None:
    silent = [cause for cause in happened if cause not in {Cause.GO, Cause.RESUMED}]
    permission = Permission()
    for cause in silent:
        permission = after(permission, cause)
        assert permission.state not in {A, N, T}


@given(st.lists(causes, max_size=30), st.sampled_from(sorted(FOR_A_PERSON)), st.lists(causes, max_size=30))
def test_after_what_a_person_has_to_see_only_go_leads_on(
    before: list[Cause], seen: Cause, later: list[Cause]
) -> None:
    permission = after(Permission(), *before)
    if permission.take(seen, "see to it", at_ns=1, ts=1) is None:
        return
    for cause in later:
        if cause in {Cause.GO, Cause.RESUMED}:
            break
        permission = after(permission, cause)
        assert not permission.may_turn
        assert permission.state not in {A, N}


@given(st.lists(causes, max_size=40))
def test_turning_is_always_announced_and_an_end_is_for_good(happened: list[Cause]) -> None:
    permission, was = Permission(), L
    for cause in happened:
        permission = after(permission, cause)
        if permission.may_turn and was is not T:
            assert was is N
        if was is E:
            assert permission.state is E
        was = permission.state


@given(st.lists(st.sampled_from([Cause.PAUSE, Cause.INTERVENTION, Cause.TRIPPED, Cause.LOST]), min_size=1))
def test_a_stop_under_way_never_leads_to_more_than_before(happened: list[Cause]) -> None:
    rank = {L: 0, P: 1, A: 2}
    permission = after(Permission(state=T), Cause.LOST)
    permission.resume_after_stop()
    assert permission.target is A
    before = rank[permission.target]
    for cause in happened:
        permission = after(permission, cause)
        permission_rank = rank[permission.target]
        assert permission_rank <= before
        before = permission_rank


def test_a_stop_that_may_end_by_itself_counts_and_a_person_starts_the_count_anew() -> None:
    permission = Permission(state=T)
    permission.permit("R. Vale", at_ns=1, record_no=1)
    after(permission, Cause.LOST)
    permission.resume_after_stop()
    assert after(permission, Cause.STILL).state is A
    assert (permission.resumes, permission.resuming) == (1, True)
    permission.permit("M. Orsel", at_ns=2, record_no=2)
    assert (permission.resumes, permission.resuming, permission.by) == (0, False, "M. Orsel")


def test_a_stop_that_no_one_wished_names_its_reason_when_it_stays_locked() -> None:
    permission = after(Permission(state=T), Cause.LOST, Cause.STILL)
    assert permission.state is L
    assert [reason.text for reason in permission.reasons] == ["lost"]
    assert after(permission, Cause.GO).reasons == []


@given(st.lists(st.text(max_size=3), min_size=REASONS_MAX + 5, max_size=60, unique=True))
def test_reasons_are_bounded_and_the_first_ones_stay(texts: list[str]) -> None:
    permission = Permission()
    for number, text in enumerate(texts):
        permission.take(Cause.TRIPPED, text, at_ns=number, ts=number)
    assert [reason.text for reason in permission.reasons] == texts[:REASONS_MAX]
