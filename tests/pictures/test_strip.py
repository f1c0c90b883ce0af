"""The small pictures: a night against its limit for a wall of them, and what is used of a limit."""

from datetime import UTC

import numpy as np
from tests.pictures.drawing import SVG, check_any, parsed, points, texts
from tests.pictures.test_night import over, row

from nightturn.pictures.night import Bound
from nightturn.pictures.ruler import draw_ruler
from nightturn.pictures.strip import POINTS_MAX, draw_strip


def test_a_strip_has_every_judged_cycle_of_a_short_night_and_plum_beyond_the_limit() -> None:
    each = row([0.10, float("nan"), 0.12, 0.17], 0.001, Bound(0.15, up=True))
    picture = draw_strip(each, [], over(each), UTC, name="strip")

    check_any(picture)
    assert len(points(picture, "grown")) == 1
    assert "1 of 3 cycles beyond it" in picture.description
    assert len(points(picture, "soft")) == 1  # the cycle that was not judged, at the foot


def test_a_long_night_is_thinned_and_never_loses_the_cycle_nearest_to_the_limit() -> None:
    values = np.full(500, 0.10)
    values[333] = 0.1494
    each = row(values.tolist(), 0.0001, Bound(0.15, up=True))
    picture = draw_strip(each, [], over(each), UTC, name="strip")

    (wall, *_), *_ = points(picture, "ink")
    dots = [
        y for path in points(picture, "ink") for _, y in path if len(path) == 2 and path[0][1] == path[1][1]
    ]
    assert min(dots) <= wall[1] + 1.0
    assert len(picture.svg) < 40 * POINTS_MAX + 3000


def test_a_strip_without_a_judged_cycle_or_a_limit_says_so() -> None:
    each = row([float("nan")] * 3)
    picture = draw_strip(each, [over(each)], over(each), UTC, name="strip")

    check_any(picture)
    assert "no cycle was judged yet" in picture.description
    assert list(parsed(picture).iter(f"{SVG}pattern"))


def test_a_ruler_is_plum_only_where_the_whole_interval_lies_beyond() -> None:
    inside = draw_ruler("friction", "N·m", 0.1158, 0.0002, Bound(0.15, up=True), name="ruler-0")
    at_it = draw_ruler("friction", "N·m", 0.151, 0.002, Bound(0.15, up=True), name="ruler-0")
    beyond = draw_ruler("ripple", "%", 0.8, 0.01, Bound(0.6, up=True), name="ruler-1")
    below = draw_ruler("stiffness", "%", 0.2, 0.01, Bound(0.6, up=False), name="ruler-1")

    for picture in (inside, at_it, beyond, below):
        check_any(picture)
    assert ["f-grown" in each.svg for each in (inside, at_it, beyond, below)] == [False, False, True, True]
    assert "150 mN·m allowed" in texts(inside)
    assert inside.description == "friction: 115.80 ± 0.20 mN·m, 150 mN·m allowed."
    assert "0.6 % asked for" in texts(below)


def test_a_ruler_without_a_known_interval_claims_nothing_beyond() -> None:
    picture = draw_ruler("ripple", "%", 0.601, float("inf"), Bound(0.6, up=True), name="ruler")

    assert "± not known" in picture.description
