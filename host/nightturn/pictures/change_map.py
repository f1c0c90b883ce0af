"""What has changed since the first hour: friction by angle and cycle, orders by cycle. No change is bare paper."""

from collections.abc import Sequence
from datetime import tzinfo

import numpy as np

from nightturn.model.quantities import number, quantity
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.frame import STEPS_DEG
from nightturn.pictures.image import png_address
from nightturn.pictures.night import moment_text
from nightturn.pictures.paper import GROWN, INK, LESS, SOFT, Paper
from nightturn.pictures.picture import Picture, thinned
from nightturn.pictures.scale import Scale, time_ticks

LEFT_PX, RIGHT_PX, TOP_PX, FOOT_PX, HEIGHT_PX = 58.0, 104.0, 10.0, 36.0, 260.0
CELLS_ACROSS = 256
"""Angle cells of the map, 1.4° each."""
KEY_STEPS = 24
MEDIAN_OF = 5
"""Cycles, of which an order's change is the median."""
FULL_DB = 20.0
"""Change of an order at which its cell is fully inked."""
ORDERS_TO = 512


def by_angle(half_gap_nm: Float64s, first: int, began: Int64s) -> Float64s:
    """Friction by angle of all cycles (cycles, points) as its change since the first cycles, without what the whole turn shares.

    The mean of those of the first `first` cycles that `began` the same way (cycles,) is taken off, because edges of a place lie a little apart in
    cycles that began the other way; then each cycle's median, because a friction that grows alike all over the turn belongs to the row of
    friction and must not hide, or make look better, the rest of the turn.
    """
    early = np.arange(len(half_gap_nm)) < max(first, 1)
    off = np.full(half_gap_nm.shape, np.nan)
    with np.errstate(invalid="ignore"):
        for way in np.unique(began):
            same = began == way
            baseline = _mean(half_gap_nm[early & same] if (early & same).any() else half_gap_nm[early])
            off[same] = half_gap_nm[same] - baseline
        return np.asarray(off - _median(off)[:, None], np.float64)


def in_cells(values: Float64s, cells: int = CELLS_ACROSS) -> Float64s:
    """(cycles, points) as the mean of so many cells a turn (cycles, cells)."""
    points = values.shape[1]
    if points <= cells:
        return values
    edges = np.arange(cells) * points // cells
    there = np.isfinite(values)
    total = np.add.reduceat(np.where(there, values, 0.0), edges, axis=1)
    count = np.add.reduceat(there.astype(np.float64), edges, axis=1)
    return np.divide(total, count, out=np.full_like(total, np.nan), where=count > 0)


def draw_angle_map(
    change_nm: Float64s, ts: Int64s, full_nm: float, first: int, zone: tzinfo, *, width_px: float = 920
) -> Picture:
    """Where on the turn friction has changed.

    Args:
        change_nm: of `by_angle` (cycles, points).
        ts: when each cycle ended, ns since 1970 UTC.
        full_nm: change at which a cell is fully inked: the same for every unit of a variant, so that pictures compare.
        first: cycles at the start with which the rest is compared.
        zone: whose clocks the axis shows.
        width_px: of the picture.
    """
    cells = in_cells(change_nm)
    title = "Where on the turn friction has changed"
    paper, x, y = _sheet("map", width_px, Scale(0, 360, 0, 0), ts)
    paper.image(x.low_px, TOP_PX, x.high_px - x.low_px, y.high_px - y.low_px, png_address(cells / full_nm))
    _border(paper, x, y)
    step = STEPS_DEG[width_px < 560]
    for at in np.arange(0, 361, step).tolist():
        paper.text(x.one(at), y.high_px + 14, f"{round(at)}°", anchor="middle", size_px=10)
    paper.text(
        (x.low_px + x.high_px) / 2, y.high_px + 29, "angle from the index mark", anchor="middle", size_px=10
    )
    _cycles_axis(paper, x, y, ts, zone)
    _first_line(paper, x, y, first)
    _key(paper, x, "more friction", "less friction", quantity(full_nm, "N·m", digits=2))
    description = _angle_words(cells, ts, full_nm, zone)
    return Picture(
        "map",
        title,
        "The night runs down. Bare paper: as in the first hour. What the whole turn shares is not drawn here.",
        description,
        paper.svg(title, description),
        ("cycle ended", "largest growth, N·m", "at angle, °"),
        _angle_rows(cells, ts, zone),
    )


def draw_order_map(
    amplitude_nm: Float64s, floor_nm: Float64s, ts: Int64s, first: int, zone: tzinfo, *, width_px: float = 920
) -> Picture:
    """Which orders have changed: (cycles, orders) amplitudes and what noise alone makes in each cycle."""
    change = order_change_db(amplitude_nm, floor_nm, first)
    orders = change.shape[1]
    title = "Orders over the night"
    paper, x, y = _sheet("order-map", width_px, Scale(0.9, orders + 0.5, 0, 0, log=True), ts)
    columns = np.clip(
        np.round(10 ** np.linspace(0, np.log10(orders), round(x.high_px - x.low_px) // 2)).astype(int) - 1,
        0,
        orders - 1,
    )
    left = x.one(1.0)
    paper.image(
        left, TOP_PX, x.high_px - left, y.high_px - y.low_px, png_address(change[:, columns] / FULL_DB)
    )
    _border(paper, x, y)
    _orders_axis(paper, x, y, orders)
    _cycles_axis(paper, x, y, ts, zone)
    _first_line(paper, x, y, first)
    _key(paper, x, "grown", "less", f"{number(FULL_DB)} dB")
    grown = _grown_orders(change)
    words = ", ".join(str(each) for each in grown[:12])
    description = (
        f"Change of orders 1 to {orders} in decibel since the first hour, over {len(ts)} cycles. "
        + (
            f"Grown by more than 6 dB at the end: orders {words}."
            if grown
            else "No order has grown by more than 6 dB at the end."
        )
    )
    last = change[-1] if len(change) else np.empty(0)
    return Picture(
        "order-map",
        title,
        "The night runs down. Only what lies above the noise is drawn, as the median of five cycles.",
        description,
        paper.svg(title, description),
        ("order", "change at the end, dB"),
        tuple((str(each), number(float(last[each - 1]), 3)) for each in grown[:40]),
    )


def _orders_axis(paper: Paper, x: Scale, y: Scale, orders: int) -> None:
    for order in (1, 2, 5, 10, 20, 50, 100, 200, 500):
        if order <= orders:
            paper.text(x.one(order), y.high_px + 14, number(order), anchor="middle", size_px=10)
    paper.text(
        (x.low_px + x.high_px) / 2,
        y.high_px + 29,
        "order: how often in one turn of the shaft",
        anchor="middle",
        size_px=10,
    )


def order_change_db(amplitude_nm: Float64s, floor_nm: Float64s, first: int) -> Float64s:
    """Change of each order (cycles, orders), dB, not a number where neither now nor then it lies above the noise."""
    with np.errstate(divide="ignore", invalid="ignore"):
        before = _mean(amplitude_nm[: max(first, 1)])
        floor_before = _mean(floor_nm[: max(first, 1)])
        # What lay in the noise then is compared with the noise, so that a new order is not infinitely louder.
        change = 20 * np.log10(np.maximum(amplitude_nm, floor_nm) / np.maximum(before, floor_before))
        change[(amplitude_nm <= floor_nm) & (before <= floor_before)] = np.nan
    padded = np.pad(change, ((MEDIAN_OF // 2, MEDIAN_OF // 2), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, MEDIAN_OF, axis=0)
    unseen = np.isnan(windows).sum(axis=2) > MEDIAN_OF // 2
    return np.where(unseen, np.nan, np.median(np.nan_to_num(windows), axis=2))


def _grown_orders(change_db: Float64s) -> list[int]:
    """Orders that have grown by more than 6 dB at the end."""
    if not len(change_db):
        return []
    return [int(each) + 1 for each in np.flatnonzero(np.nan_to_num(change_db[-1]) > 6.0)]


def _sheet(name: str, width_px: float, x: Scale, ts: Int64s) -> tuple[Paper, Scale, Scale]:
    paper = Paper(name, width_px, HEIGHT_PX + TOP_PX + FOOT_PX)
    across = Scale(x.low, x.high, LEFT_PX, width_px - RIGHT_PX, x.log)
    return paper, across, Scale(0.0, float(max(len(ts), 1)), TOP_PX, TOP_PX + HEIGHT_PX)


def _border(paper: Paper, x: Scale, y: Scale) -> None:
    paper.strokes(
        [
            (x.low_px, y.low_px, x.low_px, y.high_px),
            (x.low_px, y.high_px, x.high_px, y.high_px),
        ],
        SOFT,
        0.8,
    )


def _cycles_axis(paper: Paper, x: Scale, y: Scale, ts: Int64s, zone: tzinfo) -> None:
    """Moments beside the cycles that ended next after them; the rows are cycles, evenly, whatever lay between them."""
    if not len(ts):
        return
    for ns, words in time_ticks(int(ts[0]), int(ts[-1]), zone, 9):
        at = y.one(float(np.searchsorted(ts, ns)) + 0.5)
        paper.text(x.low_px - 6, at + 4, words, anchor="end", size_px=10)


def _first_line(paper: Paper, x: Scale, y: Scale, first: int) -> None:
    at = y.one(float(first))
    paper.segment((x.low_px, at), (x.high_px, at), INK, 0.8, "3 3")
    paper.text(x.low_px + 6, at - 4, "first hour: what the rest is compared with", size_px=10)


def _key(paper: Paper, x: Scale, more: str, less: str, full: str) -> None:
    left, top, height = x.high_px + 14, TOP_PX + 22, 120.0
    paper.text(left, top - 8, more, ink=GROWN, size_px=10, bold=True)
    step = height / (2 * KEY_STEPS)
    for place in range(2 * KEY_STEPS):
        strength = (KEY_STEPS - place - 0.5) / KEY_STEPS
        ink = GROWN if strength > 0 else LESS
        paper.area(left, top + place * step, 12, step, ink, max(abs(strength), 0.01))
    for y, words in ((0.0, f"+{full}"), (height / 2, "0"), (height, f"\N{MINUS SIGN}{full}")):
        paper.text(left + 18, top + y + 4, words, size_px=10)
    paper.text(left, top + height + 18, less, ink=LESS, size_px=10, bold=True)


def _angle_words(cells: Float64s, ts: Int64s, full_nm: float, zone: tzinfo) -> str:
    if not len(ts) or not np.isfinite(cells).any():
        return "No cycle has a whole turn in both senses."
    last = np.nan_to_num(cells[-1])
    at = int(np.argmax(last))
    if last[at] < full_nm / 4:
        return f"Over {len(ts)} cycles no angle differs from the first hour by more than {quantity(full_nm / 4, 'N·m', digits=2)} at the end."
    return (
        f"At the end, {moment_text(int(ts[-1]), zone)}, friction has grown most at {_degrees(at, cells)}°, "
        f"by {quantity(float(last[at]), 'N·m', digits=3)} more than over the whole turn."
    )


def _angle_rows(cells: Float64s, ts: Int64s, zone: tzinfo) -> tuple[tuple[str, ...], ...]:
    rows = []
    for at in thinned(len(ts), 40):
        row = cells[at]
        if np.isfinite(row).any():
            most = int(np.nanargmax(row))
            rows.append((moment_text(int(ts[at]), zone), number(float(row[most]), 3), _degrees(most, cells)))
        else:
            rows.append((moment_text(int(ts[at]), zone), "not measured", "not measured"))
    return tuple(rows)


def _degrees(cell: int, cells: Float64s) -> str:
    return number(round((cell + 0.5) * 360.0 / cells.shape[1], 1))


def _mean(values: Float64s) -> Float64s:
    """Mean over the rows of what was measured; not a number where nothing was."""
    there = np.isfinite(values)
    count = there.sum(axis=0)
    total = np.where(there, values, 0.0).sum(axis=0)
    mean = np.full(total.shape, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def _median(values: Float64s) -> Float64s:
    """Median of each row of what was measured (rows,); zero where nothing was."""
    return np.array(
        [float(np.median(row[np.isfinite(row)])) if np.isfinite(row).any() else 0.0 for row in values]
    )


def joined(curves: Sequence[Float64s]) -> Float64s:
    """Curves of equal length as one matrix (cycles, points); a cycle without one is a row that is not a number."""
    points = max((len(each) for each in curves), default=0)
    return np.array(
        [each if len(each) == points else np.full(points, np.nan) for each in curves], np.float64
    ).reshape(len(curves), points)
