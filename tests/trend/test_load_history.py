"""A load history is the same however its samples were split, carried or merged, and every count in it is that of a plain loop."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from tests.trend.load_references import CUTS, GATES, histories, int32s, parts, state, through_snapshot

from nightturn.trend.load_history import LoadHistory, LoadSettings
from nightturn.trend.rainflow import Classes

CLASSES = Classes(-20, 2)


def settings(gate: int = 1, over: int | None = 6, release: int = 3) -> LoadSettings:
    return LoadSettings(gate, CLASSES, 10.0, over_counts=over, under_counts=-8, release_counts=release)


def counted(pieces: Sequence[np.ndarray], how: LoadSettings) -> LoadHistory:
    history = LoadHistory.start(how)
    for piece in pieces:
        history.add(piece)
    return history


def overloads(samples: Sequence[int], level: int, release: int) -> int:
    found, armed = 0, True
    for sample in samples:
        if armed and sample >= level:
            found, armed = found + 1, False
        elif sample <= level - release:
            armed = True
    return found


@given(histories(), GATES, CUTS)
def test_any_split_and_any_restart_between_ends_in_the_same_state(
    samples: list[int], gate: int, cuts: list[int]
) -> None:
    how = settings(gate)
    split = LoadHistory.start(how)

    for part in parts(samples, cuts):
        split.add(part)
        split = through_snapshot(split)

    assert state(split) == state(counted([int32s(samples)], how))


@given(histories(), GATES, CUTS, st.booleans())
@example([0, 6, 2, 7, 20], 5, [1], False)
@example([4, 1, -1, 3, 4, -1], 5, [2, 4], True)
def test_parts_that_were_counted_separately_merge_to_the_state_of_the_whole(
    samples: list[int], gate: int, cuts: list[int], from_behind: bool
) -> None:
    how = settings(gate)
    histories_of_parts = [counted([part], how) for part in parts(samples, cuts)]

    while len(histories_of_parts) > 1:
        at = len(histories_of_parts) - 2 if from_behind else 0
        later = histories_of_parts.pop(at + 1)
        before = state(later)
        histories_of_parts[at].merge(later)
        assert state(later) == before

    assert state(histories_of_parts[0]) == state(counted([int32s(samples)], how))


@given(histories(), GATES, CUTS)
def test_a_merged_history_goes_on_as_the_whole_does(samples: list[int], gate: int, cuts: list[int]) -> None:
    how = settings(gate)
    first, *later = parts(samples, [*cuts, 7])
    history = counted([first], how)
    history.merge(counted(later[:1], how))

    for part in later[1:]:
        history.add(part)

    assert state(history) == state(counted([int32s(samples)], how))


@pytest.mark.parametrize("gate", [1, 50, 2000])
def test_tiles_of_a_noisy_ripple_end_in_the_state_of_one_go(gate: int) -> None:
    draw = np.random.default_rng(3)
    at = np.arange(60_000)
    counts = np.rint(3000 * np.sign(np.sin(at / 2000)) + 800 * np.sin(at / 170) + draw.normal(0, 60, len(at)))
    torque = counts.astype(np.int32)
    how = LoadSettings(
        gate, Classes(-6400, 200), 1e4, over_counts=3800, under_counts=-3800, release_counts=300
    )
    whole = counted([torque], how)

    tiles = counted([torque[a : a + 1000] for a in range(0, len(torque), 1000)], how)
    nights = [counted([torque[a : a + 17_001]], how) for a in range(0, len(torque), 17_001)]
    for later in nights[1:]:
        nights[0].merge(later)

    assert state(tiles) == state(whole)
    assert state(nights[0]) == state(whole)
    assert whole.turns > 5
    assert whole.over.count > 2


@given(histories(), CUTS, st.integers(1, 9))
@example([7, 3, 6, 4, 7, -8, -5, -8], [2], 3)
def test_overloads_and_their_samples_are_those_of_a_plain_loop(
    samples: list[int], cuts: list[int], release: int
) -> None:
    history = counted(parts(samples, cuts), settings(release=release))

    assert history.over.count == overloads(samples, 6, release)
    assert history.over.samples == sum(sample >= 6 for sample in samples)
    assert history.under.count == overloads([-sample for sample in samples], 8, release)
    assert history.under.samples == sum(sample <= -8 for sample in samples)


@given(histories(), CUTS)
def test_every_sample_is_at_one_level(samples: list[int], cuts: list[int]) -> None:
    history = counted(parts(samples, cuts), settings())

    assert history.at_level.sum() == history.samples == len(samples)
    assert history.seconds_at_level().sum() == pytest.approx(len(samples) / 10.0)
    if samples:
        assert (history.lowest, history.highest) == (min(samples), max(samples))


def test_time_at_temperature_is_the_samples_of_each_class_by_the_rate() -> None:
    """Classes of 0.5 K from 20 C on, in steps of 10 mK, at two readings a second."""
    history = LoadHistory.start(LoadSettings(20, Classes(2000, 50), 2.0))

    history.add(int32s([1999, *[2000] * 6, *[2049] * 2, *[2050] * 4, 9000]))

    assert history.seconds_at_level()[[0, 1, 2, 65]].tolist() == [0.5, 4.0, 2.0, 0.5]
    assert history.remarks == (
        "2 of 14 samples are outside the classes; take wider classes to see their levels",
    )


def test_the_turns_of_an_angle_are_its_strokes_and_the_excursions_of_a_speed_its_starts() -> None:
    """Six strokes, each from rest, with a wobble of some counts and a longer rest after every second one."""
    angle: list[int] = [0]
    for stroke in range(6):
        start, end = (0, 900) if stroke % 2 == 0 else (900, 0)
        angle += np.linspace(start, end, 100).round().astype(int).tolist()
        angle += [end + (-1) ** n for n in range(50)] if stroke % 2 else []
    strokes = LoadHistory.start(LoadSettings(300, Classes(0, 20), 100.0))
    starts = LoadHistory.start(LoadSettings(5, Classes(0, 1), 100.0, over_counts=6, release_counts=4))

    strokes.add(int32s(angle))
    starts.add(np.abs(np.diff(int32s(angle))))

    assert (
        strokes.turns == 6
    )  # each begins at a turning point; that at the end of the last one is not yet confirmed
    assert starts.over.count == 6


def test_what_is_missing_is_summed_and_said() -> None:
    history = counted([int32s([0, 4, 0])], settings())
    later = LoadHistory.start(settings())
    later.add(int32s([5, 0]), missing=30)
    history.merge(later)
    history.add(int32s([1]), missing=2)

    assert history.missing == 32
    assert history.remarks == ("32 samples are missing beside 6; what they held is not counted",)


def test_without_a_sample_nothing_is_claimed() -> None:
    history = LoadHistory.start(settings())

    assert history.remarks == ("no sample has been counted",)
    assert len(history.spectrum().cycles) == 0
    assert history.turns == 0


def test_ranges_above_all_classes_are_said() -> None:
    history = counted([int32s([0, 200, 0, 200, 0])], settings())

    assert "1 cycles have a range above all classes; how large they are is not known" in history.remarks


def test_histories_taken_with_other_settings_do_not_merge() -> None:
    with pytest.raises(ValueError, match="same settings"):
        LoadHistory.start(settings(1)).merge(LoadHistory.start(settings(2)))


def test_bad_counts_change_nothing() -> None:
    history = counted([int32s([0, 4, 0])], settings())
    before = state(history)

    with pytest.raises(TypeError, match="integer counts"):
        history.add(np.array([0.5]))
    with pytest.raises(ValueError, match="missing is -1"):
        history.add(int32s([1]), missing=-1)

    assert state(history) == before


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"over_counts": 1 << 29}, "overload levels"),
        ({"release_counts": 0}, "above the noise"),
        ({"rate_hz": 0.0}, "samples a second"),
        ({"rate_hz": float("nan")}, "samples a second"),
    ],
)
def test_settings_without_meaning_are_refused(wrong: dict[str, float], says: str) -> None:
    right: dict[str, object] = {"gate_counts": 1, "classes": CLASSES, "rate_hz": 10.0}

    with pytest.raises(ValueError, match=says):
        LoadSettings(**{**right, **wrong})  # type: ignore[arg-type]  # the values are the point of the test


def test_the_state_is_bounded() -> None:
    history = LoadHistory.start(settings())
    empty = len(state(history))

    for seed in range(20):
        history.add(np.random.default_rng(seed).integers(-19, 19, 20_000).astype(np.int32))

    assert history.turns > 200_000
    assert len(state(history)) < empty + 4 * 100
    assert empty < 40_000
