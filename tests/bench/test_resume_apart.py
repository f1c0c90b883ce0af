"""A hall of fixtures does not go on by itself at one moment."""

from nightturn.bench.runs import RESUME_APART_S, resume_apart_s


def test_sixty_four_fixtures_are_spread_and_each_has_its_own_place_at_every_start() -> None:
    ids = [f"pan-{row}{place}" for row in "abcdefgh" for place in range(1, 9)]
    places = [resume_apart_s(each) for each in ids]
    assert places == [resume_apart_s(each) for each in ids]
    assert all(0.0 <= each < RESUME_APART_S for each in places)
    in_a_second = [sum(second <= each < second + 1 for each in places) for second in range(10)]
    assert max(in_a_second) <= 16  # of 64, were they all at one moment
