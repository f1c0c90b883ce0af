"""A comparison as one HTML file, with both turns in one picture."""

import math

from nightturn.pictures.both import draw_both
from nightturn.pictures.picture import Picture
from nightturn.pictures.turn import Turned
from nightturn.report.both_turns import turns_of
from nightturn.report.compared import Comparison, figure_rows, headline, order_rows
from nightturn.report.night import ReportNight
from nightturn.report.templates import rendered
from nightturn.sentences.names import isolated

ORDER_HEAD = ("order", "A", "B", "A less B")


def comparison_page(
    found: Comparison, one: ReportNight, other: ReportNight, last_h: float | None = None
) -> str:
    """The page of two runs held against each other."""
    return rendered(
        "compare.html",
        found=found,
        headline=headline(found),
        figures=[(line.title, words) for line, words in figure_rows(found)],
        order_head=ORDER_HEAD,
        orders=order_rows(found),
        pictures=_pictures(one, other, last_h),
    )


def _pictures(one: ReportNight, other: ReportNight, last_h: float | None) -> list[Picture]:
    turns = turns_of(one, other, last_h)
    ours, theirs = turns.one, turns.other
    if not all(len(each) for means in (ours, theirs) for each in (means.forward_nm, means.back_nm)):
        return []
    variant = one.settings.variant
    return [
        draw_both(
            Turned(ours.forward_nm, ours.back_nm),
            Turned(theirs.forward_nm, theirs.back_nm),
            (f"A: {isolated(one.unit)}", f"B: {isolated(other.unit)}"),
            cogging_order=math.lcm(2 * variant.pole_pairs, variant.slots),
            foot=turns.foot,
        )
    ]
