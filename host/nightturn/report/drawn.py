"""The pictures of a night, from its curves, cycles and samples; one that cannot be drawn is replaced by a sentence."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.bearings import declared_bearings
from nightturn.estimation.curves import BACK, FORWARD
from nightturn.estimation.figures import (
    COGGING_PP,
    FIGURES,
    FRICTION,
    FRICTION_PCT,
    RIPPLE_PCT,
    RIPPLE_PP,
    ZERO,
)
from nightturn.model.clocks import NS_PER_S
from nightturn.model.phases import HOLD
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.change_map import by_angle, draw_angle_map, draw_order_map, joined
from nightturn.pictures.night import Bound, Row, Span, Trace, draw_night
from nightturn.pictures.orders import FIELD, Family, draw_orders
from nightturn.pictures.picture import Picture
from nightturn.pictures.temperature import draw_against_temperature
from nightturn.pictures.turn import Turned, draw_lens, draw_turn, worst_angle
from nightturn.report.moments import moments
from nightturn.report.night import ReportNight
from nightturn.report.reference import Reference, accepted_band, cogging_order, turn_band
from nightturn.sentences.lost import lost_text
from nightturn.trend.series import NEAR

ROWS = (RIPPLE_PCT, FRICTION, COGGING_PP, ZERO)
"""Of the night, from the top."""
SAME = (RIPPLE_PP, FRICTION_PCT)
"""Figures that are another's numbers in another unit; drawn only where they have a limit of their own."""
OTHERS_CYCLES = 400
"""Of the figures without a limit, to keep the page small."""
FULL_OF_LIMIT = 0.1
"""Of the friction limit; a change of that size inks a cell of the map fully, for every unit of the variant alike."""
FULL_NM = 0.01
"""The same where the variant has no friction limit."""
OF_THE_CHANNEL = ("bridge", "ambient", *NEAR)
"""Whose temperature may move the zero of the torque channel, the nearest first."""
TEMPERATURE_PX = 520.0
"""Of the picture against temperature, which is no wider where there is more room."""
OTHERS = "The other figures over the night"
NO_TURN = (
    "One turn and the maps are not drawn: no cycle has a whole turn in both senses, or the run was recorded by a version "
    "without curves; `nightturn reanalyse` makes them from the samples."
)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Pictures in the order of the report, and for each that could not be drawn its name and why."""

    pictures: tuple[Picture, ...]
    missing: tuple[tuple[str, str], ...]


def drawn(night: ReportNight, width_px: float = 920, reference: Reference | None = None) -> Drawn:
    """All pictures of a night, beside what accepted units say."""
    reference = reference or Reference({})
    pictures: list[Picture] = []
    missing: list[tuple[str, str]] = []
    if len(night.cycles):
        pictures.append(_night(night, width_px))
        pictures += _other_figures(night, width_px)
    else:
        missing.append(("night", "The night is not drawn: no cycle is among the files of the run."))
    turns = _turns(night)
    if turns is None:
        missing.append(("turn", NO_TURN))
    else:
        pictures += _of_turns(night, turns, width_px, reference)
        if len(turns.ts) <= turns.first:
            missing.append(
                ("map", "Where friction has changed is not drawn: all cycles are of the first hour.")
            )
    pictures += _of_orders(night, width_px, reference)
    pictures += _against_temperature(night, FRICTION, NEAR, width_px, missing)
    pictures += _against_temperature(night, ZERO, OF_THE_CHANNEL, width_px, missing)
    pictures += moments(night, width_px, missing)
    return Drawn(tuple(pictures), tuple(missing))


def last_turn(night: ReportNight, width_px: float = 920) -> Picture | None:
    """The newest turn in both senses; None where no cycle has both."""
    turns = _turns(night)
    return None if turns is None else next(_of_turns(night, turns, width_px, Reference({})))


@dataclass(frozen=True, slots=True)
class _Turns:
    """Curves of the cycles that have both senses, (cycles, points) N·m; when each ended, which way it began, and how many are of the first hour."""

    forward_nm: Float64s
    back_nm: Float64s
    ts: Int64s
    cycle_no: Int64s
    direction: Int64s
    first: int


def _turns(night: ReportNight) -> _Turns | None:
    legs = {leg: _by_cycle(night, leg, "torque_nm") for leg in (FORWARD, BACK)}
    ended = _ended(night)
    both = [no for no in legs[FORWARD] if no in legs[BACK] and no in ended]
    if not both:
        return None
    ts = np.array([ended[no] for no in both], np.int64)
    began = dict(zip(night.cycles["cycle_no"].tolist(), night.cycles["direction"].tolist(), strict=True))
    return _Turns(
        joined([legs[FORWARD][no] for no in both]),
        joined([legs[BACK][no] for no in both]),
        ts,
        np.array(both, np.int64),
        np.array([began[no] for no in both], np.int64),
        max(int(np.sum(ts <= ts[0] + 3600 * NS_PER_S)), 1),
    )


def _ended(night: ReportNight) -> dict[int, int]:
    return dict(zip(night.cycles["cycle_no"].tolist(), night.ended_ts.tolist(), strict=True))


def _by_cycle(night: ReportNight, leg: str, column: str) -> dict[int, Float64s]:
    rows = night.curves[night.curves["leg"] == leg].sort_values("cycle_no", kind="stable")
    return {
        int(no): np.asarray(values, np.float64)
        for no, values in zip(rows["cycle_no"], rows[column], strict=True)
        if len(values)
    }


def _of_turns(night: ReportNight, turns: _Turns, width_px: float, reference: Reference) -> Iterator[Picture]:
    now = Turned(turns.forward_nm[-1], turns.back_nm[-1])
    first = None
    if len(turns.ts) > turns.first:
        first = Turned(
            turns.forward_nm[: turns.first].mean(axis=0), turns.back_nm[: turns.first].mean(axis=0)
        )
    at = int(np.flatnonzero(night.cycles["cycle_no"].to_numpy() == turns.cycle_no[-1])[0])
    friction, zero = (_known(night.values(name)[at]) for name in (FRICTION, ZERO))
    cogging = cogging_order(night.settings.variant)
    yield draw_turn(
        now,
        first,
        friction_nm=friction,
        zero_nm=zero,
        cogging_order=cogging,
        width_px=width_px,
        when=f"cycle {int(turns.cycle_no[-1])}",
        accepted=turn_band(reference, night.settings, len(now.forward_nm)),
    )
    worst = worst_angle(now, first, max(cogging // 2, 2)) if first is not None else None
    if worst is not None:
        yield draw_lens(now, first, worst.angle_deg, width_px=width_px)
    if first is not None:
        half_gap = np.abs(turns.back_nm - turns.forward_nm) / 2
        change = by_angle(half_gap, turns.first, turns.direction)
        yield draw_angle_map(change, turns.ts, _full_nm(night), turns.first, night.zone, width_px=width_px)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _full_nm(night: ReportNight) -> float:
    limits = [
        each.limit
        for each in (night.verdict.limits if night.verdict is not None else ())
        if each.figure == FRICTION
    ]
    return FULL_OF_LIMIT * limits[0] if limits else FULL_NM


def _rows(night: ReportNight, figures: Sequence[str], step: int = 1) -> list[Row]:
    """A row a figure, of one cycle in `step`."""
    forward = (night.cycles["direction"] > 0).to_numpy()
    return [
        Row(
            FIGURES[figure].spoken,
            "% of rated" if FIGURES[figure].of_rated else FIGURES[figure].unit,
            night.ended_ts[::step],
            night.values(figure)[::step],
            night.halves(figure)[::step],
            forward[::step],
            _bounds(night, figure),
        )
        for figure in figures
    ]


def _first_rows(night: ReportNight) -> tuple[str, ...]:
    """`ROWS`, and what else has a limit."""
    limits = night.verdict.limits if night.verdict is not None else ()
    return tuple(dict.fromkeys((*ROWS, *(each.figure for each in limits if each.figure in night.cycles))))


def _other_figures(night: ReportNight, width_px: float) -> Iterator[Picture]:
    """Every figure that the first rows have not, where a cycle has a value of it."""
    first = _first_rows(night)
    others = [
        name
        for name in FIGURES
        if name not in (*first, *SAME) and name in night.cycles and np.isfinite(night.values(name)).any()
    ]
    if others:
        step = -(-len(night.cycles) // OTHERS_CYCLES)
        title = OTHERS if step == 1 else f"{OTHERS}, one cycle in {step}"
        yield draw_night(
            _rows(night, others, step),
            [],
            _spans(night),
            night.over,
            night.zone,
            width_px=width_px,
            name="night-others",
            title=title,
        )


def _night(night: ReportNight, width_px: float) -> Picture:
    rows = _rows(night, _first_rows(night))
    traces = [
        Trace(role, night.ended_ts, night.cycles[name].to_numpy(np.float64))
        for role in NEAR
        if (name := f"temp_{role}_degc") in night.cycles
        and np.isfinite(night.cycles[name].to_numpy(np.float64)).any()
    ]
    return draw_night(rows, traces, _spans(night), night.over, night.zone, width_px=width_px)


def _bounds(night: ReportNight, figure: str) -> tuple[Bound, ...]:
    verdict = night.verdict
    return tuple(
        Bound(each.limit, each.direction == "max")
        for each in (verdict.limits if verdict is not None else ())
        if each.figure == figure
    )


def _spans(night: ReportNight) -> list[Span]:
    spans = [
        Span(each.from_ts, each.to_ts, f"no samples, lost {lost_text(each.cause)}") for each in night.gaps
    ]
    opened: int | None = None
    for row in night.events:
        if row.kind == "intervention":
            opened = row.ts
        elif row.kind == "intervention_over" and opened is not None:
            spans.append(Span(opened, row.ts, "a person at the rig"))
            opened = None
    if opened is not None:
        spans.append(Span(opened, night.over[1], "a person at the rig"))
    return spans


def _of_orders(night: ReportNight, width_px: float, reference: Reference) -> Iterator[Picture]:
    amplitudes, floors = _by_cycle(night, HOLD, "amplitude_nm"), _by_cycle(night, HOLD, "floor_nm")
    ended = _ended(night)
    numbers = [no for no in amplitudes if no in ended]
    if not numbers:
        return
    amplitude = joined([amplitudes[no] for no in numbers])
    floor = joined([floors.get(no, np.empty(0)) for no in numbers])
    ts = np.array([ended[no] for no in numbers], np.int64)
    first = max(int(np.sum(ts <= ts[0] + 3600 * NS_PER_S)), 1)
    before = amplitude[:first].mean(axis=0) if len(numbers) > first else None
    last_floor = floor[-1] if floor.shape[1] and np.isfinite(floor[-1]).all() else np.empty(0)
    yield draw_orders(
        amplitude[-1],
        last_floor,
        before,
        _families(night),
        width_px=width_px,
        of=f"the hold of cycle {numbers[-1]}",
        accepted=accepted_band(reference.orders),
    )
    if before is not None and floor.shape == amplitude.shape:
        yield draw_order_map(amplitude, FIELD * floor, ts, first, night.zone, width_px=width_px)


def _families(night: ReportNight) -> list[Family]:
    variant, drive = night.settings.variant, night.settings.fixture.drive
    found = [
        Family("slots", variant.slots),
        Family("poles", 2 * variant.pole_pairs),
        Family("cogging", cogging_order(variant)),
    ]
    found += [Family(name, order) for name, order in declared_bearings(variant.bearing)]
    if drive.pole_pairs:
        found.append(Family("drive, poles", 2 * drive.pole_pairs))
    return found


def _against_temperature(
    night: ReportNight,
    figure: str,
    roles: Sequence[str],
    width_px: float,
    missing: list[tuple[str, str]],
) -> Iterator[Picture]:
    """A figure against the first of the temperatures that was measured."""
    title = FIGURES[figure].spoken
    for role in roles:
        name = f"temp_{role}_degc"
        degc = night.cycles[name].to_numpy(np.float64) if name in night.cycles else np.empty(0)
        if np.isfinite(degc).any():
            yield draw_against_temperature(
                night.values(figure),
                degc,
                night.ended_ts,
                night.zone,
                title=title,
                unit="N·m",
                of=role,
                name=f"{title}-temperature",
                width_px=min(TEMPERATURE_PX, width_px),
            )
            return
    text = f"{title.capitalize()} against temperature is not drawn: no temperature was measured."
    missing.append(("temperature", text))
