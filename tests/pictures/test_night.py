"""The night's rows: every judged cycle is a point, what was not judged is none, a limit is a wall."""

from datetime import UTC
from zoneinfo import ZoneInfo

import numpy as np
from tests.pictures.drawing import SVG, check_any, parsed, texts

from nightturn.model.clocks import NS_PER_S
from nightturn.pictures.night import Bound, Row, Span, Trace, beyond, draw_night, moment_text

BEGIN = 1_795_820_788 * NS_PER_S
HOUR = 3600 * NS_PER_S


def row(values: list[float], half: float = 0.001, *bounds: Bound, title: str = "friction") -> Row:
    count = len(values)
    ts = BEGIN + np.arange(count, dtype=np.int64) * (HOUR // 10)
    return Row(title, "N·m", ts, np.array(values), np.full(count, half), np.arange(count) % 2 == 0, bounds)


def over(each: Row) -> tuple[int, int]:
    return int(each.ts[0]), int(each.ts[-1]) + HOUR


def test_every_judged_cycle_is_a_point_filled_where_it_began_forward() -> None:
    each = row([0.10, 0.11, float("nan"), 0.12])
    picture = draw_night([each], [], [], over(each), UTC)
    check_any(picture)
    dots = list(parsed(picture).iter(f"{SVG}circle"))
    assert [dot.get("fill") == "none" for dot in dots] == [False, True, True]
    assert "3 of 4 cycles" in picture.description
    assert [cells[1] for cells in picture.rows].count("not judged") == 1


def test_plum_and_larger_only_where_the_whole_interval_lies_beyond() -> None:
    each = row([0.10, 0.1505, 0.16], 0.001, Bound(0.15, up=True))
    assert beyond(each).tolist() == [False, False, True]
    picture = draw_night([each], [], [], over(each), UTC)
    dots = list(parsed(picture).iter(f"{SVG}circle"))
    grown = [dot for dot in dots if "grown" in (dot.get("class") or "")]
    assert len(grown) == 1
    assert float(grown[0].get("r", "0")) > float(dots[0].get("r", "0"))
    assert "limit 150 mN·m, 1 beyond it" in picture.description


def test_without_a_known_interval_nothing_lies_beyond() -> None:
    each = row([0.2], float("nan"), Bound(0.15, up=True))
    assert beyond(each).tolist() == [False]


def test_a_lower_limit_forbids_what_lies_below() -> None:
    each = row([0.10, 0.02], 0.001, Bound(0.05, up=False))
    assert beyond(each).tolist() == [False, True]


def test_a_limit_far_above_the_values_is_left_out_of_the_picture_and_named_in_words() -> None:
    each = row([0.10, 0.11], 0.001, Bound(4.0, up=True))
    picture = draw_night([each], [], [], over(each), UTC)
    assert not any(words.startswith("limit") for words in texts(picture))
    assert "limit 4 N·m" in picture.description


def test_gaps_are_hatched_and_never_too_narrow_to_see() -> None:
    each = row([0.10, 0.11, 0.12])
    spans = [Span(BEGIN + HOUR // 20, BEGIN + HOUR // 20 + NS_PER_S, "no samples: link")]
    picture = draw_night([each], [], spans, over(each), UTC)
    check_any(picture)
    hatched = [each for each in parsed(picture).iter(f"{SVG}rect") if "hatch" in (each.get("fill") or "")]
    assert len(hatched) == 1
    assert float(hatched[0].get("width", "0")) >= 6.0
    assert hatched[0].find(f"{SVG}title") is not None


def test_a_night_of_nothing_but_cycles_that_were_not_judged_says_so() -> None:
    each = row([float("nan")] * 3)
    picture = draw_night([each], [], [], over(each), UTC)
    check_any(picture)
    assert "friction: no cycle was judged." in picture.description
    assert "not judged" in texts(picture)


def test_temperatures_share_a_row_and_are_named_with_their_last_value() -> None:
    each = row([0.10, 0.11])
    trace = Trace("bearing", each.ts, np.array([22.0, 25.5]))
    picture = draw_night([each], [trace], [], over(each), UTC)
    check_any(picture)
    assert "bearing 25.5" in texts(picture)
    assert "bearing from 22 °C to 25.5 °C" in picture.description


def test_a_moment_is_by_the_clocks_of_its_zone_with_their_offset() -> None:
    assert moment_text(1_795_820_788 * NS_PER_S, ZoneInfo("Europe/Vienna")) == "28 Nov 00:06 +01:00"
    assert moment_text(1_795_820_788 * NS_PER_S, UTC) == "27 Nov 23:06 +00:00"
