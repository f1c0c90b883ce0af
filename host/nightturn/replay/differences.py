"""The differences between what is expected of a replay and what it gave, each as a sentence.

Figures, and whatever else is worked out in floats, must be equal to the last bit under the same numeric fingerprint,
else within 1e-9 relative, degrees of freedom within eight times that; everything else, decisions too, must be equal anywhere.
"""

import math
from collections.abc import Sequence

import msgspec
import numpy as np
from msgspec.structs import astuple

from nightturn.estimation.fingerprint import fingerprint
from nightturn.model.facts import CycleFinished, TrendFitted
from nightturn.model.figures import Curve, CycleRecord, Figure, Symptoms
from nightturn.model.limits import AT_LIMIT
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.quantities import number, scientific
from nightturn.model.rows import TrendRow
from nightturn.model.trends import Changed, Fitted, Rolled
from nightturn.replay.full import Rows
from nightturn.replay.wording import change, order_table, phase_apart

RELATIVE = 1e-9
BOUND = scientific(RELATIVE, 1)
NU_RELATIVE = 8 * RELATIVE
"""Degrees of freedom are a ratio of fourth powers of two uncertainties (Welch-Satterthwaite), each of which may be off by the bound."""
ABSOLUTE = 1e-12
"""In SI units, for what should be zero: far below what any channel resolves, above what rounding leaves of it."""
# what the samples alone decide, however they were cut into tiles and whatever came between them
BY_SAMPLES = (
    "status",
    "direction",
    "index_first",
    "index_last",
    "sums_sha256",
    "config_digest",
    "calibration_id",
)
BY_LIMIT = ("word", "value", "u", "nu", "cycles_judged")
BY_FIGURE_OF_OLD = ("value", "u", "nu", "status", "n", "reasons")
"""Of recordings from before figures had a budget."""
BY_BUDGET = ("u_rep", "nu_rep", "u_common", "kind", "band", "unseen")
SYMPTOM_RELATIVE = 1e-6
"""Where a line lies is where its fit is best, and beside the best place a fit is hardly worse."""
LATER = frozenset({"origins", "cogging_origins", "symptoms", "curves"})
"""Of recordings from before orders had an origin, or cycles symptoms and curves, there is none to compare with."""
CURVE_RELATIVE = 1e-6
"""Curves are kept as float32, whose last bit may fall either way; of the largest value in one."""
BY_TREND = ("strokes", "value", "u", "threshold")
BY_FIGURE = frozenset({"figures", "fingerprint"})
BY_ENVIRONMENT = frozenset({"said", "fingerprint", "model", "chart", "because"})
"""Of a course: what prints or packs the last digits."""


def row_differences(was: Rows, now: Rows, *, exact: bool) -> list[str]:
    """Differences of everything that a core emits for keeping."""
    found = cycle_differences(was.cycles, now.cycles, exact=exact, whole=True)
    for name in ("gaps", "events", "strokes", "trend"):
        found += _rows(name, getattr(was, name), getattr(now, name), exact=exact)
    return found + night_differences(was.night_verdict, now.night_verdict, exact=exact, whole=True)


def night_differences(
    was: NightVerdict | None, now: NightVerdict | None, *, exact: bool, whole: bool
) -> list[str]:
    """Differences of the night's verdict: its word and its limits, and with `whole` also how many cycles it counts.

    Sentences are not compared: they print digits of what is. A verdict that was not kept is none to compare with.
    """
    if was is None:
        return []
    if now is None:
        return ["the night's verdict was not seen"]
    names = ("word", *(("purpose",) if was.purpose else ()), *(("cycles", "planned") if whole else ()))
    found = _fields("night", was, now, names, exact=exact)
    seen = {_limit(limit): limit for limit in now.limits}
    for old in was.limits:
        new = seen.pop(_limit(old), None)
        if new is None:
            found.append(f"night: {old.figure} at most {number(old.limit)} was not seen")
        else:
            found += _fields(f"night: {old.figure}", old, new, BY_LIMIT, exact=exact)
    found += [f"night: {new.figure} at most {number(new.limit)} was not expected" for new in seen.values()]
    words = [limit.word for limit in was.limits] == [limit.word for limit in now.limits]
    if not words and any(AT_LIMIT in reason for reason in (*was.reasons, *now.reasons)):
        found.append(f"night: only the last digits decide this verdict: {AT_LIMIT}")
    return found


def _limit(verdict: LimitVerdict) -> tuple[str, str, str, float]:
    return verdict.figure, verdict.direction, verdict.condition, verdict.limit


def cycle_differences(
    was: Sequence[CycleRecord], now: Sequence[CycleRecord], *, exact: bool, whole: bool
) -> list[str]:
    """Differences of cycles: sums and figures, and with `whole` also record numbers, times, temperatures, verdict."""
    found = [] if len(was) == len(now) else [f"cycles: {len(was)} expected, {len(now)} seen"]
    seen = {(cycle.epoch, cycle.cycle_no): cycle for cycle in now}
    for old in was:
        where = f"cycle {old.cycle_no}"
        new = seen.pop((old.epoch, old.cycle_no), None)
        if new is None:
            found.append(f"{where} of epoch {old.epoch} was not seen")
            continue
        names = (
            [name for name in CycleRecord.__struct_fields__ if name not in BY_FIGURE] if whole else BY_SAMPLES
        )
        names = [name for name in names if name not in LATER or getattr(old, name)]
        found += _fields(where, old, new, names, exact=exact)
        if whole and old.verdict != new.verdict and _at_limit(old, new):
            found.append(f"{where}: only the last digits decide this verdict: {AT_LIMIT}")
        found += _figures(where, old.figures, new.figures, exact=exact)
    found += [f"cycle {cycle.cycle_no} of epoch {cycle.epoch} was not expected" for cycle in seen.values()]
    return found


def fact_differences(again: Sequence[tuple[CycleFinished, CycleFinished]]) -> list[str]:
    """Differences of figures that came to the core as facts from what their sums give here, equal under one fingerprint, else within the bound.

    A figure whose method has changed since is told by the rows and left out here, with the verdict that it enters.
    """
    found = []
    for fact, here in again:
        where = f"figures on the tape of cycle {fact.cycle_no}"
        if fact.sums_sha256 != here.sums_sha256:
            found.append(f"{where}: they were made of other sums than the samples give")
        if fact.record is None or here.record is None:
            if fact.error != here.error:
                found.append(f"{where}: {fact.error or 'there are some'} -> {here.error or 'there are some'}")
            continue
        was, now, changed = _of_same_method(fact.record, here.record)
        exact = fact.record.fingerprint == fingerprint()
        lines = cycle_differences([was], [now], exact=exact, whole=not changed)
        found += [f"{where} against its sums: {line}" for line in lines]
    return found


def course_differences(again: Sequence[tuple[TrendFitted, TrendFitted]]) -> list[str]:
    """The same of courses that came as facts, against what the cycles give here; sentences are compared under one fingerprint only."""
    found = []
    for fact, here in again:
        where = f"course on the tape of {fact.figure} up to cycle {fact.cycle_no}"
        if fact.fitted is None or here.fitted is None:
            if fact.error != here.error:
                found.append(f"{where}: {fact.error or 'there is one'} -> {here.error or 'there is one'}")
            continue
        exact = fact.fitted.fingerprint == here.fitted.fingerprint
        left_out = frozenset() if exact else BY_ENVIRONMENT
        if fact.fitted.because is None:  # not asked, as before there were causes
            left_out |= {"because"}
        names = [name for name in Fitted.__struct_fields__ if name not in left_out]
        pairs = [
            (name, _plain(getattr(fact.fitted, name)), _plain(getattr(here.fitted, name))) for name in names
        ]
        found += [
            f"{where}: {name} {change(was, now)}"
            for name, was, now in pairs
            if not (was == now if exact else close(was, now))
        ]
    return found


def _plain(value: object) -> object:
    """Tuples and structs as tuples; a change without its sentence and a series without its reason, whose last digit may turn."""
    if isinstance(value, tuple):
        return tuple(_plain(each) for each in value)
    if isinstance(value, Changed):
        value = msgspec.structs.replace(value, said="")
    elif isinstance(value, Rolled):
        value = msgspec.structs.replace(value, why_not="")
    return _plain(astuple(value)) if isinstance(value, msgspec.Struct) else value


def _of_same_method(was: CycleRecord, now: CycleRecord) -> tuple[CycleRecord, CycleRecord, bool]:
    """Both with the figures that one method made, and whether there are others."""
    methods = {figure.name: figure.method for figure in now.figures}
    changed = {figure.name for figure in was.figures if methods.get(figure.name) not in {None, figure.method}}
    left = [
        msgspec.structs.replace(each, figures=tuple(f for f in each.figures if f.name not in changed))
        for each in (was, now)
    ]
    return left[0], left[1], bool(changed)


def _at_limit(old: CycleRecord, new: CycleRecord) -> bool:
    return any(AT_LIMIT in reason for reason in (*old.verdict_reasons, *new.verdict_reasons))


def _figures(where: str, was: Sequence[Figure], now: Sequence[Figure], *, exact: bool) -> list[str]:
    found = []
    seen = {figure.name: figure for figure in now}
    for old in was:
        new = seen.pop(old.name, None)
        if new is None:
            found.append(f"{where}: {old.name} was not seen")
        elif old.method != new.method:
            values = change(old.value, new.value)
            found.append(f"{where}: {old.name} method {old.method} -> {new.method}: {values}")
        else:
            names = BY_FIGURE_OF_OLD if old.u_rep is None else (*BY_FIGURE_OF_OLD, *BY_BUDGET)
            found += _fields(f"{where}: {old.name}", old, new, names, exact=exact)
    found += [f"{where}: {name} was not expected" for name in seen]
    return found


def trend_differences(was: Sequence[TrendRow], now: Sequence[TrendRow], *, exact: bool) -> list[str]:
    """Differences of what the samples alone decide of the rows of courses: times are not the live ones, and so no slope is."""
    found = [] if len(was) == len(now) else [f"trend: {len(was)} expected, {len(now)} seen"]
    seen = {(row.cycle_no, row.figure, row.direction): row for row in now}
    for old in was:
        new = seen.get((old.cycle_no, old.figure, old.direction))
        if new is not None:
            found += _fields(f"trend of cycle {old.cycle_no}: {old.figure}", old, new, BY_TREND, exact=exact)
    return found


def _rows(
    name: str, was: Sequence[msgspec.Struct], now: Sequence[msgspec.Struct], *, exact: bool
) -> list[str]:
    found = [] if len(was) == len(now) else [f"{name}: {len(was)} expected, {len(now)} seen"]
    for row_no, (old, new) in enumerate(zip(was, now, strict=False), start=1):
        found += _fields(f"{name} {row_no}", old, new, old.__struct_fields__, exact=exact)
    return found


def _fields(
    where: str, old: msgspec.Struct, new: msgspec.Struct, names: Sequence[str], *, exact: bool
) -> list[str]:
    pairs = [(name, getattr(old, name), getattr(new, name)) for name in names]
    return [
        f"{where}: {name} {change(was, now)}"
        for name, was, now in pairs
        if not (was == now if exact else close(was, now, NU_RELATIVE if name.startswith("nu") else RELATIVE))
    ]


def close(was: object, now: object, relative: float = RELATIVE) -> bool:
    """Equal, floats within the bound, also inside tuples and dicts; phases of an order table modulo a whole turn."""
    if isinstance(was, float) and isinstance(now, float):
        return math.isclose(was, now, rel_tol=relative, abs_tol=ABSOLUTE)
    old, new = order_table(was), order_table(now)
    if old is not None and new is not None:
        return old.keys() == new.keys() and all(_close_order(row, new[order]) for order, row in old.items())
    if isinstance(was, tuple) and isinstance(now, tuple):
        return len(was) == len(now) and all(close(a, b) for a, b in zip(was, now, strict=True))
    if isinstance(was, Symptoms) and isinstance(now, Symptoms):
        both = zip(_numbers(was), _numbers(now), strict=False)
        return len(_numbers(was)) == len(_numbers(now)) and all(
            close(a, b, SYMPTOM_RELATIVE) for a, b in both
        )
    if isinstance(was, Curve) and isinstance(now, Curve):
        return _close_curves(was, now)
    if isinstance(was, dict) and isinstance(now, dict):
        return was.keys() == now.keys() and all(close(value, now[key]) for key, value in was.items())
    return was == now


def _numbers(symptoms: Symptoms) -> list[object]:
    """Everything in them, one behind the other."""
    rows = [astuple(each) for each in (*symptoms.lines, *symptoms.defects)]
    return [value for row in (*rows, (len(symptoms.lines), symptoms.railed, symptoms.jumps)) for value in row]


def _close_curves(was: Curve, now: Curve) -> bool:
    """The same leg and turns, and points alike within the bound."""
    if (was.leg, was.direction, was.turns) != (now.leg, now.direction, now.turns):
        return False
    for name in ("torque_nm", "amplitude_nm", "floor_nm"):
        old, new = (np.frombuffer(getattr(each, name), "<f4") for each in (was, now))
        if old.shape != new.shape:
            return False
        bound = CURVE_RELATIVE * float(np.nanmax(np.abs(old), initial=ABSOLUTE))
        if not np.allclose(old, new, rtol=0.0, atol=bound, equal_nan=True):
            return False
    return True


def _close_order(was: tuple[float, ...], now: tuple[float, ...]) -> bool:
    """One row of an order table; the phase of a weak order is known as well as the amplitude beside it."""
    (amplitude, phase, u), (amplitude_now, phase_now, u_now) = was, now
    return (
        close(amplitude, amplitude_now)
        and abs(phase_apart(phase, phase_now)) * amplitude <= RELATIVE * amplitude + ABSOLUTE
        and close(u, u_now)
    )
