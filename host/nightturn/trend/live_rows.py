"""Rows of what is followed: figures that are watched, and families of orders and strokes that are not."""

import msgspec
import numpy as np

from nightturn.model.facts import TrendFitted
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import TrendRow
from nightturn.model.trends import Because, Changed, Rolled
from nightturn.trend.fits import Point
from nightturn.trend.followed import Followed, Watching
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
        degc=each.degc,
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


def row_of(record: CycleRecord, point: Point, place: int, each: Followed, watching: Watching) -> TrendRow:
    """The row of one figure of a cycle; `place` is that of the figure in `point`."""
    value, fit, changed = point.values[place], each.level, each.changed
    row = TrendRow(
        ts=record.ts_end,
        epoch=record.epoch,
        cycle_no=record.cycle_no,
        figure=each.figure,
        direction=record.direction,
        strokes=round(point.strokes),
        value=value,
        u=None if value is None else point.us[place],
        degc=point.degc if np.isfinite(point.degc) else None,
        status=watching.status,
        reason=watching.reason,
        baseline=None if fit is None else fit[0],
        scatter=None if fit is None else fit[1],
        sum_up=watching.up,
        sum_down=watching.down,
        threshold=each.chart.design.threshold,
        suspected_cycle_no=each.suspected if each.suspected > 0 else None,
        ewma=each.chart.ewma,
    )
    row = _with_change(row, changed, each.because) if changed is not None else row
    return _with_fit(row, each)


def _with_change(row: TrendRow, changed: Changed, because: Because | None) -> TrendRow:
    return msgspec.structs.replace(
        row,
        changed_kind=changed.kind,
        changed_cycle_no=changed.cycle_no,
        changed_cycle_no_from=changed.cycle_no_from,
        changed_cycle_no_to=changed.cycle_no_to,
        changed_strokes=changed.strokes,
        changed_strokes_from=changed.strokes_from,
        changed_strokes_to=changed.strokes_to,
        ts_changed=changed.ts,
        ts_changed_from=changed.ts_from,
        ts_changed_to=changed.ts_to,
        causes=None if because is None else ", ".join(because.names),
        because=None if because is None else " ".join(because.said),
    )


def _with_fit(row: TrendRow, each: Followed) -> TrendRow:
    fitted = each.fitted
    if fitted is None:
        return row
    known: dict[str, object] = {
        "fitted_cycle_no": each.fitted_cycle_no,
        "level": fitted.level,
        "level_half": fitted.level_half,
    }
    for axis, per in (("strokes", "stroke"), ("hours", "hour")):
        rate = fitted.rate(axis)
        if rate is None:
            continue
        known |= {
            f"slope_per_{per}": rate.slope,
            f"slope_per_{per}_u": rate.u,
            f"slope_per_{per}_half": rate.half,
        }
        if rate.limit is not None:
            known |= {"limit": rate.limit, "limit_bound": rate.bound, f"not_before_{axis}": rate.not_before}
    return msgspec.structs.replace(row, **known)
