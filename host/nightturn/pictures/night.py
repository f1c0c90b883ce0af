"""The night as rows over one time axis: each figure with its 95 % band and its limit, then temperatures; gaps and stops hatched."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

import numpy as np

from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.paper import GROWN, HAIR, INK, SOFT, Paper, words_px
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import Scale, around, tick_text, ticks, time_ticks

ROW_PX, ROW_GAP_PX = 78.0, 12.0
LEFT_PX, RIGHT_PX, TOP_PX, FOOT_PX = 58.0, 124.0, 8.0, 30.0
TITLE_PX = 122.0
"""Of a title's line, by the estimate of `words_px`, which is more than it takes."""
NEAR_LIMIT = 2.2
"""A limit is inside the picture when it is below so many times the values."""
DOT_PX = 1.7
TICKS_ACROSS = 10
DASHES = ("", "5 3", "2 3", "8 3 2 3", "1 3")


@dataclass(frozen=True, slots=True)
class Bound:
    """A limit of a row, in its unit: what is forbidden lies above (`up`) or below it."""

    value: float
    up: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One figure over the night, a place a cycle (n,).

    Attributes:
        title, unit: for people.
        ts: ns since 1970 UTC, when the cycle ended.
        value: in the unit; not a number where it was not judged.
        half: of the 95 % interval, in the unit; not a number where it is not known.
        forward: whether the cycle began forward.
        bounds: its acceptance limits.
    """

    title: str
    unit: str
    ts: Int64s
    value: Float64s
    half: Float64s
    forward: np.ndarray[tuple[int], np.dtype[np.bool_]]
    bounds: tuple[Bound, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """One temperature over the night: (n,) ns since 1970 UTC, °C."""

    title: str
    ts: Int64s
    degc: Float64s


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of the night in which there was nothing, or a person was at the rig: ns since 1970 UTC, with its words."""

    from_ts: int
    to_ts: int
    words: str


def draw_night(
    rows: Sequence[Row],
    traces: Sequence[Trace],
    spans: Sequence[Span],
    over: tuple[int, int],
    zone: tzinfo,
    *,
    width_px: float = 920,
    name: str = "night",
    title: str = "The night",
) -> Picture:
    """All rows over the same time.

    Args:
        rows: from the top.
        traces: temperatures, which share one row below.
        spans: hatched through all rows.
        over: first and last moment of the axis, ns since 1970 UTC.
        zone: whose clocks the axis shows.
        width_px: of the picture.
        name: unique within a page.
        title: its heading.
    """
    count = len(rows) + (1 if traces else 0)
    height = TOP_PX + count * (ROW_PX + ROW_GAP_PX) + FOOT_PX
    paper = Paper(name, width_px, height)
    x = Scale(float(over[0]), float(over[1]), LEFT_PX, width_px - RIGHT_PX)
    _time_axis(paper, x, over, zone, height - FOOT_PX)
    for span in spans:
        left, right = x.one(max(span.from_ts, over[0])), x.one(min(span.to_ts, over[1]))
        paper.hatched(left, TOP_PX, max(right - left, 0.0), height - FOOT_PX - TOP_PX, span.words)
    for place, row in enumerate(rows):
        _draw_row(paper, x, row, TOP_PX + place * (ROW_PX + ROW_GAP_PX))
    if traces:
        _draw_traces(paper, x, traces, TOP_PX + len(rows) * (ROW_PX + ROW_GAP_PX))
    description = _description(rows, traces, spans, over, zone)
    return Picture(
        name,
        title,
        "A point a cycle with its 95 % interval; filled began forward, open began back. Plum: the whole interval lies beyond the limit."
        + (" Hatched: no samples, or a person at the rig." if spans else ""),
        description,
        paper.svg(title, description),
        ("cycle ended", *(f"{row.title}, {row.unit}" for row in rows)),
        _table(rows, zone),
    )


def beyond(row: Row) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which cycles (n,) lie beyond a limit with their whole interval."""
    found = np.zeros(len(row.value), bool)
    half = np.nan_to_num(row.half)
    for bound in row.bounds:
        outside = row.value - half > bound.value if bound.up else row.value + half < bound.value
        found |= outside & np.isfinite(row.half)
    return found


def _time_axis(paper: Paper, x: Scale, over: tuple[int, int], zone: tzinfo, foot: float) -> None:
    most = TICKS_ACROSS if paper.width_px > 600 else TICKS_ACROSS // 2
    for ns, words in time_ticks(over[0], over[1], zone, most):
        at = x.one(float(ns))
        paper.segment((at, TOP_PX), (at, foot), HAIR, 0.8)
        paper.text(at, foot + 14, words, anchor="middle", size_px=10)


def _draw_row(paper: Paper, x: Scale, row: Row, top: float) -> None:
    shown = [each for each in row.bounds if _near(row, each)]
    half = np.nan_to_num(row.half)
    values = np.concatenate((row.value - half, row.value + half)).tolist()
    y = around([*values, *(each.value for each in shown)], top + ROW_PX, top)
    _value_axis(paper, x, y)
    for bound in shown:
        paper.wall(
            x.low_px, x.high_px, y.one(bound.value), up=bound.up, words=f"limit {number(bound.value, 4)}"
        )
    outside = beyond(row)
    across, along = x.at(row.ts.astype(np.float64)), y.at(row.value)
    low, high = y.at(row.value - half), y.at(row.value + half)
    judged = np.isfinite(row.value)
    for mask, ink in ((judged & ~outside, INK), (judged & outside, GROWN)):
        bars = [
            (a, b, a, c)
            for a, b, c in zip(across[mask].tolist(), low[mask].tolist(), high[mask].tolist(), strict=True)
            if abs(b - c) > 2 * DOT_PX
        ]
        paper.strokes(bars, ink, 0.8)
    for at in np.flatnonzero(judged).tolist():
        ink, size = (GROWN, DOT_PX + 0.6) if outside[at] else (INK, DOT_PX)
        paper.dot(float(across[at]), float(along[at]), size, ink, filled=bool(row.forward[at]))
    foot = [(float(a), top + ROW_PX - 5, float(a), top + ROW_PX) for a in across[~judged].tolist()]
    paper.strokes(foot, SOFT, 1.2)
    right = x.high_px + 10
    titles = _lines(row.title, TITLE_PX)
    for line, words in enumerate(titles):
        paper.text(right, top + 14 + 13 * line, words, ink=INK, bold=True)
    below = top + 13 * (len(titles) - 1)
    paper.text(right, below + 28, row.unit, size_px=10)
    for line, words in enumerate(_last(row)):
        paper.text(right, below + 44 + 13 * line, words, ink=INK, size_px=10)


def _lines(title: str, width_px: float) -> list[str]:
    """A title as lines that fit the margin; what stands behind a comma only where it fits as well."""
    if words_px(title, bold=True) <= width_px:
        return [title]
    lines = [""]
    for word in title.partition(",")[0].split():
        longer = f"{lines[-1]} {word}".strip()
        if words_px(longer, bold=True) <= width_px or not lines[-1]:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _near(row: Row, bound: Bound) -> bool:
    """Whether a limit is so near to the values that it belongs into the picture."""
    good = row.value[np.isfinite(row.value)]
    if not len(good):
        return True
    size = float(np.max(np.abs(good)))
    return abs(bound.value) <= NEAR_LIMIT * size and (size == 0 or abs(bound.value) * NEAR_LIMIT >= size)


def _last(row: Row) -> tuple[str, ...]:
    good = np.flatnonzero(np.isfinite(row.value))
    if not len(good):
        return ("not judged",)
    at = int(good[-1])
    half = float(row.half[at])
    text = interval(float(row.value[at]), half if np.isfinite(half) else np.inf, "")
    value, _, wide = text.partition(" ±")
    return ("last", value.rstrip(", "), f"± {wide.strip()}")


def _value_axis(paper: Paper, x: Scale, y: Scale) -> None:
    found = ticks(y, 3)
    for each in found:
        at = y.one(each)
        paper.segment((x.low_px, at), (x.high_px, at), HAIR, 0.6)
        paper.text(x.low_px - 6, at + 4, tick_text(each, found), anchor="end", size_px=10)


def _draw_traces(paper: Paper, x: Scale, traces: Sequence[Trace], top: float) -> None:
    y = around([each for trace in traces for each in trace.degc.tolist()], top + ROW_PX, top, least=1.0)
    _value_axis(paper, x, y)
    right = x.high_px + 10
    paper.text(right, top + 4, "temperatures, °C", ink=INK, size_px=10, bold=True)
    for place, trace in enumerate(traces):
        dash = DASHES[place % len(DASHES)]
        paper.line(x.at(trace.ts.astype(np.float64)), y.at(trace.degc), INK if place < 2 else SOFT, 1.0, dash)
        at = top + 18 + 13 * place
        paper.segment((right, at - 3), (right + 18, at - 3), INK if place < 2 else SOFT, 1.0, dash)
        good = trace.degc[np.isfinite(trace.degc)]
        last = f" {number(float(good[-1]), 3)}" if len(good) else " not measured"
        paper.text(right + 22, at, trace.title + last, size_px=10)


def _description(
    rows: Sequence[Row], traces: Sequence[Trace], spans: Sequence[Span], over: tuple[int, int], zone: tzinfo
) -> str:
    begin, end = (moment_text(each, zone) for each in over)
    parts = [f"From {begin} to {end}."]
    for row in rows:
        good = row.value[np.isfinite(row.value)]
        if not len(good):
            parts.append(f"{row.title}: no cycle was judged.")
            continue
        first, last = (quantity(float(each), row.unit) for each in (good[0], good[-1]))
        said = f"{row.title}: {len(good)} of {len(row.value)} cycles, from {first} to {last}"
        for bound in row.bounds:
            said += f", limit {quantity(bound.value, row.unit)}"
        outside = int(beyond(row).sum())
        parts.append(f"{said}, {outside} beyond it." if row.bounds else f"{said}.")
    parts += [
        f"{trace.title} from {quantity(float(np.nanmin(trace.degc)), '°C', digits=3)} to {quantity(float(np.nanmax(trace.degc)), '°C', digits=3)}."
        for trace in traces
        if np.isfinite(trace.degc).any()
    ]
    if spans:
        parts.append(f"{len(spans)} hatched stretch{'es' if len(spans) > 1 else ''}.")
    return " ".join(parts)


def moment_text(ns: int, zone: tzinfo) -> str:
    """`28 Nov 04:04 +01:00` by the clocks of a zone."""
    at = datetime.fromtimestamp(ns // NS_PER_S, zone)
    offset = at.strftime("%z")
    return f"{at.day} {at.strftime('%b %H:%M')} {offset[:3]}:{offset[3:5]}"


def _table(rows: Sequence[Row], zone: tzinfo) -> tuple[tuple[str, ...], ...]:
    """A row a cycle, by the row with the most cycles."""
    if not rows:
        return ()
    longest = max(rows, key=lambda row: len(row.ts))
    found = []
    for at in thinned(len(longest.ts)):
        ts = int(longest.ts[at])
        found.append((moment_text(ts, zone), *(_cell(row, ts) for row in rows)))
    return tuple(found)


def _cell(row: Row, ts: int) -> str:
    at = np.flatnonzero(row.ts == ts)
    if not len(at) or not np.isfinite(row.value[at[0]]):
        return "not judged"
    half = float(row.half[at[0]])
    return interval(float(row.value[at[0]]), half if np.isfinite(half) else np.inf, "").rstrip()
