"""Comparison with a limit: noise of the last bits moves nothing that lies on its limit, and only what says so."""

from hypothesis import example, given
from hypothesis import strategies as st

from nightturn.model.limits import at_limit, exceeds, settled

LIMITS = st.floats(1e-6, 1e6)
ROUND = st.builds(
    lambda digits, power: float(f"{digits}e{power}"), st.integers(1, 99_999), st.integers(-6, 3)
)
NOISE = st.floats(-1e-12, 1e-12)


@given(ROUND, NOISE)
def test_a_value_on_a_round_limit_never_exceeds_it(limit: float, noise: float) -> None:
    assert not exceeds(limit * (1 + noise), limit)
    assert not exceeds(limit, limit * (1 + noise))


@given(LIMITS, st.floats(-3e-9, 3e-9), NOISE)
@example(1.0, 4.9999999e-10, 1e-12)
def test_where_noise_turns_a_decision_the_value_is_at_its_limit(
    limit: float, beside: float, noise: float
) -> None:
    value = limit * (1 + beside)
    if exceeds(value, limit) != exceeds(value * (1 + noise), limit):
        assert at_limit(value, limit)


@given(LIMITS, st.floats(1.1e-9, 1.0))
def test_what_is_not_at_its_limit_is_compared_as_it_is(limit: float, beside: float) -> None:
    assert exceeds(limit * (1 + beside), limit)
    assert not exceeds(limit, limit * (1 + beside))
    assert exceeds(-limit, -limit * (1 + beside))


def test_nothing_and_the_largest_are_compared_too() -> None:
    assert settled(0.0) == 0.0
    assert exceeds(float("inf"), 1.0)
    assert not exceeds(0.0, 0.0)
