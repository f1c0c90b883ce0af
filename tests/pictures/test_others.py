"""Friction against temperature, raw samples around a moment, and what any sheet keeps to."""

from datetime import UTC

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from tests.pictures.drawing import check_any, points, texts

from nightturn.model.clocks import NS_PER_S
from nightturn.pictures.moment import draw_moment
from nightturn.pictures.paper import COLOURS, IN_THE_DARK, Paper
from nightturn.pictures.picture import thinned
from nightturn.pictures.temperature import draw_against_temperature

BEGIN = 1_795_820_788 * NS_PER_S


def test_a_point_a_cycle_and_the_way_in_words() -> None:
    count = 12
    ts = BEGIN + np.arange(count, dtype=np.int64) * 190 * NS_PER_S
    picture = draw_against_temperature(
        np.linspace(0.095, 0.088, count),
        np.linspace(22, 25, count),
        ts,
        UTC,
        title="friction",
        unit="N·m",
        of="bearing",
    )
    check_any(picture)
    assert (
        picture.description
        == "Friction went from 95 mN·m at 22 °C to 88 mN·m at 25 °C (bearing), over 12 cycles."
    )
    assert "23:06" in texts(picture)


def test_cycles_without_a_temperature_leave_a_sentence() -> None:
    nothing = np.full(3, np.nan)
    ts = BEGIN + np.arange(3, dtype=np.int64)
    picture = draw_against_temperature(nothing, nothing, ts, UTC, title="friction", unit="N·m", of="bearing")
    check_any(picture)
    assert picture.description == "No cycle has both friction and the temperature of the bearing."


def test_a_gap_in_the_samples_is_a_gap_in_the_line() -> None:
    ts = BEGIN + np.arange(100, dtype=np.int64) * 10_000_000
    torque = np.sin(np.arange(100.0))
    torque[40:60] = np.nan
    picture = draw_moment(
        ts,
        torque,
        np.arange(100.0),
        (BEGIN + NS_PER_S // 2, "line lost"),
        (BEGIN, BEGIN + NS_PER_S),
        UTC,
        name="event",
    )
    check_any(picture)
    lengths = sorted(len(line) for line in points(picture, "ink") if len(line) > 2)
    assert lengths == [40, 40, 100]


def test_a_moment_without_samples_says_so() -> None:
    nothing = np.empty(0)
    picture = draw_moment(
        np.empty(0, np.int64),
        nothing,
        nothing,
        (BEGIN, "line lost"),
        (BEGIN, BEGIN + NS_PER_S),
        UTC,
        name="event",
    )
    check_any(picture)
    assert texts(picture).count("no samples") == 2
    assert picture.description == "Around 27 Nov 23:06 +00:00 no sample was recorded."


@given(words=st.text(max_size=60))
def test_hostile_words_are_words_and_nothing_else(words: str) -> None:
    printable = "".join(each for each in words if each.isprintable())
    paper = Paper("sheet", 100, 50)
    paper.text(1, 2, f"<script>{printable}&</script>")
    paper.hatched(0, 0, 5, 5, printable)
    svg = paper.svg(printable or "t", printable or "d")
    assert "<script" not in svg
    from xml.etree import ElementTree

    tree = ElementTree.fromstring(svg)
    assert f"<script>{printable}&</script>" in [
        each.text for each in tree.iter("{http://www.w3.org/2000/svg}text")
    ]


def test_every_ink_has_a_colour_for_the_dark() -> None:
    assert COLOURS.keys() == IN_THE_DARK.keys()


def luminance(colour: str) -> float:
    """Relative luminance (W3C, Web Content Accessibility Guidelines 2.2, definition of relative luminance)."""
    parts = [value / 255 for value in bytes.fromhex(colour[1:])]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_words_and_lines_have_a_contrast_of_four_and_a_half_at_least() -> None:
    """W3C, Web Content Accessibility Guidelines 2.2, 1.4.3: 4.5 to 1 for text; hairlines carry no meaning."""
    for inks in (COLOURS, IN_THE_DARK):
        paper = luminance(inks["paper"])
        for ink in set(inks) - {"paper", "hair"}:
            other = luminance(inks[ink])
            assert (max(paper, other) + 0.05) / (min(paper, other) + 0.05) >= 4.5, ink


@given(count=st.integers(0, 5000), most=st.integers(2, 100))
def test_thinned_rows_keep_both_ends_and_their_order(count: int, most: int) -> None:
    kept = thinned(count, most)
    assert len(kept) <= max(most, 0)
    assert kept == sorted(set(kept))
    if count:
        assert kept[0] == 0
        assert kept[-1] == count - 1


def test_the_same_arrays_give_the_same_bytes() -> None:
    def drawn() -> str:
        ts = BEGIN + np.arange(5, dtype=np.int64)
        return draw_against_temperature(
            np.arange(5.0), np.arange(5.0), ts, UTC, title="friction", unit="N·m", of="bearing"
        ).svg

    assert drawn() == drawn()
