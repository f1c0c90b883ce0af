import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.timebase.exchange import BURST_PATIENCE_NS, PATIENCE_NS, SPACING_NS, Probes, offset_and_delay

MS = 1_000_000


@pytest.mark.parametrize(
    ("stamps", "offset", "delay"),
    [
        pytest.param(
            (0.410634, 0.415284, 0.415471, 0.430596),
            -0.0052375,
            0.019775,
            id="RFC 5905 section 8 on the capture of blog.mayer.tv, NTP and ADSL - theoretical aspects, 2016-05-02",
        ),
        pytest.param(
            (100.000, 105.010, 105.012, 100.032),
            4.995,
            0.030,
            id="RFC 5905 section 8, own arithmetic: true offset 5 s, 10 ms out and 20 ms back, wrong by half of 10 ms",
        ),
    ],
)
def test_four_stamps_give_the_published_offset_and_delay(
    stamps: tuple[float, float, float, float], offset: float, delay: float
) -> None:
    got_offset, got_delay = offset_and_delay(*stamps)
    assert got_offset == pytest.approx(offset, abs=1e-9)
    assert got_delay == pytest.approx(delay, abs=1e-9)


@given(
    offset=st.integers(-(10**12), 10**12),
    out=st.integers(0, 10**9),
    stay=st.integers(0, 10**6),
    back=st.integers(0, 10**9),
)
def test_the_offset_is_wrong_by_at_most_half_the_delay(offset: int, out: int, stay: int, back: int) -> None:
    got, delay = offset_and_delay(0, out + offset, out + stay + offset, out + stay + back)
    assert delay == out + back
    assert abs(got - offset) <= delay / 2


def test_a_wanted_probe_is_asked_for_once() -> None:
    probes = Probes()
    assert probes.want(0, burst=True)
    assert not probes.want(0, burst=True)
    probes.sent(1, 1 * MS)
    assert not probes.want(2 * MS, burst=True)


def test_in_the_burst_the_next_probe_follows_the_answer_or_a_tenth_of_a_second() -> None:
    probes = Probes()
    assert probes.want(0, burst=True)
    probes.sent(1, 0)
    assert probes.claim(1) == 0
    assert probes.want(1, burst=True)
    probes.sent(2, 1)
    assert not probes.want(BURST_PATIENCE_NS, burst=True)
    assert probes.want(BURST_PATIENCE_NS + 1, burst=True)
    assert (probes.answered, probes.abandoned) == (1, 1)


def test_after_the_burst_probes_keep_their_distance_and_a_lost_one_costs_a_second() -> None:
    probes = Probes()
    assert probes.want(0, burst=False)
    probes.sent(1, 0)
    assert probes.claim(1) == 0
    assert not probes.want(SPACING_NS - 1, burst=False)
    assert probes.want(SPACING_NS, burst=False)
    probes.sent(2, SPACING_NS)
    assert not probes.want(SPACING_NS + PATIENCE_NS - 1, burst=False)
    assert probes.want(SPACING_NS + PATIENCE_NS, burst=False)
    assert probes.abandoned == 1


def test_stale_and_unknown_answers_are_counted_and_ignored() -> None:
    probes = Probes()
    assert probes.claim(7) is None
    assert probes.want(0, burst=True)
    assert probes.claim(7) is None
    probes.sent(7, 0)
    assert probes.claim(8) is None
    assert probes.claim(7) == 0
    assert probes.claim(7) is None
    assert probes.stale == 4


def test_a_probe_that_the_line_never_took_is_asked_for_again() -> None:
    probes = Probes()
    assert probes.want(0, burst=False)
    assert not probes.want(BURST_PATIENCE_NS - 1, burst=False)
    assert probes.want(BURST_PATIENCE_NS, burst=False)
