"""Rows of what is followed without being watched."""

from nightturn.model.facts import TrendFitted
from nightturn.model.rows import TrendRow
from nightturn.model.trends import Rolled
from nightturn.trend.order_families import STROKES
from nightturn.trend.slope import Axis

NOT_WATCHED, INDICATIVE = "not_watched", "indicative"
"""Words of `TrendRow.status` of families of orders, and of strokes."""


def rolled_rows(fact: TrendFitted, ts: int, epoch: int) -> list[TrendRow]:
    """A row for each series that is followed without being watched; `ts` when its estimate came."""
    found = fact.fitted.rolled if fact.fitted is not None else ()
    return [_rolled_row(each, ts, epoch, fact.cycle_no) for each in found]


def _rolled_row(each: Rolled, ts: int, epoch: int, cycle_no: int) -> TrendRow:
    strokes, hours = each.rate(Axis.STROKES), each.rate(Axis.HOURS)
    return TrendRow(
        ts=ts,
        epoch=epoch,
        cycle_no=cycle_no,
        figure=each.figure,
        direction=each.direction,
        strokes=each.strokes,
        value=each.value,
        u=each.u,
        degc=None,
        status=INDICATIVE if each.figure in STROKES else NOT_WATCHED,
        reason=each.why_not,
        baseline=None,
        scatter=None,
        sum_up=0.0,
        sum_down=0.0,
        threshold=0.0,
        suspected_cycle_no=None,
        fitted_cycle_no=cycle_no,
        level=each.level,
        level_half=each.level_half,
        slope_per_stroke=None if strokes is None else strokes.slope,
        slope_per_stroke_u=None if strokes is None else strokes.u,
        slope_per_stroke_half=None if strokes is None else strokes.half,
        slope_per_hour=None if hours is None else hours.slope,
        slope_per_hour_u=None if hours is None else hours.u,
        slope_per_hour_half=None if hours is None else hours.half,
    )
