"""The verdict of a night: every judged cycle counts, limit by limit.

A limit is held against the mean over all judged cycles with its ±: the scatter between cycles, and the part that all
cycles share, because they were measured through one calibration, which no number of cycles makes smaller. Three judged
cycles in a row that reject decide as well, at any time of the night. Nothing here reads a clock, and the state does not
grow with the night.
"""

import math
from collections.abc import Sequence

import msgspec

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.figures import unit_of
from nightturn.estimation.pooled import NU_MAX, Pooled
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.limits import exceeds
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.quantities import interval, quantity
from nightturn.model.verdicts import ACCEPT, MISSED, NOT_JUDGED, OF_ALL_LIMITS, REJECT, UNDECIDED, against

REJECTS_IN_A_ROW = 3
"""Judged cycles in a row that reject the unit, whatever the others say."""
JUDGED_SHARE_MIN = 0.8
"""Of the planned cycles; a unit is not accepted on fewer."""
MORE_MAX = 100_000
"""Cycles that nobody will wait for."""
COVERAGE_OF_MANY = 1.96
"""Of the common part, whose degrees of freedom are many."""
REPEATABILITY_ONLY = "the calibration record states no uncertainty: ± is repeatability only"
NO_LIMIT = "the variant sets no acceptance limit"


class LimitNight(msgspec.Struct):
    """One limit over the night.

    Attributes:
        row: judged cycles in a row, up to now, that reject.
        row_from: the first of them.
        rejected: first and last cycle of the longest such row that decides; None while none does.
    """

    pooled: Pooled = msgspec.field(default_factory=Pooled)
    row: int = 0
    row_from: int = 0
    rejected: tuple[int, int] | None = None
    rejecting: int = 0

    def add(self, cycle_no: int, word: str, figure: Figure) -> None:
        """A judged cycle."""
        assert figure.value is not None
        assert figure.u is not None
        assert figure.nu is not None
        self.pooled.add(figure.value, figure.u, figure.nu)
        if word != MISSED:
            self.row = 0
            return
        self.rejecting += 1
        self.row_from = cycle_no if self.row == 0 else self.row_from
        self.row += 1
        longest = 0 if self.rejected is None else self.rejected[1] - self.rejected[0] + 1
        if self.row >= REJECTS_IN_A_ROW and self.row > longest:
            self.rejected = self.row_from, cycle_no


class Night(msgspec.Struct):
    """All limits over the night, by their text; the whole state can be encoded."""

    cycles: int = 0
    limits: dict[str, LimitNight] = {}

    def add(self, cycle: CycleRecord, accept: Sequence[AcceptLimit]) -> None:
        """A finished cycle, also one that nothing could be judged of; `accept` are the limits it was held against."""
        self.cycles += 1
        for limit, word in zip(accept, cycle.limit_words, strict=True):
            if word != NOT_JUDGED:
                night = self.limits.setdefault(_key(limit), LimitNight())
                night.add(cycle.cycle_no, word, cycle.figure(limit.figure))

    def verdict(
        self, accept: Sequence[AcceptLimit], planned: int, u_factor_rel: float | None
    ) -> NightVerdict:
        """What all cycles up to now say together.

        Args:
            accept: the limits.
            planned: cycles of the plan.
            u_factor_rel: relative standard uncertainty of the calibration factor; None when its record states none.
        """
        if not accept:
            return NightVerdict(NOT_JUDGED, (NO_LIMIT,), (), (), self.cycles, planned)
        held = [_held(limit, self.limits.get(_key(limit)), planned, u_factor_rel) for limit in accept]
        words = [each.verdict.word for each in held]
        word = REJECT if REJECT in words else ACCEPT if set(words) == {ACCEPT} else UNDECIDED
        reasons = [each.reason for each in held if word in (ACCEPT, each.verdict.word)]
        if u_factor_rel is None:
            reasons.append(REPEATABILITY_ONLY)
        would = [text for each in held for text in each.would_decide] if word == UNDECIDED else []
        return NightVerdict(
            word, tuple(reasons), tuple(each.verdict for each in held), tuple(would), self.cycles, planned
        )


class _Held(msgspec.Struct, frozen=True):
    verdict: LimitVerdict
    reason: str
    would_decide: tuple[str, ...] = ()


def _key(limit: AcceptLimit) -> str:
    return msgspec.json.encode(limit).decode()


def _condition(limit: AcceptLimit) -> str:
    parts = []
    if limit.at_rpm is not None:
        parts.append(f"at {limit.at_rpm:g} rpm")
    if limit.at_torque_nm is not None:
        parts.append(f"at {limit.at_torque_nm:g} N·m")
    if limit.temp_degc is not None:
        parts.append(f"from {limit.temp_degc[0]:g} to {limit.temp_degc[1]:g} °C")
    return ", ".join(parts)


def _held(limit: AcceptLimit, night: LimitNight | None, planned: int, u_factor_rel: float | None) -> _Held:
    """One limit against what the night says of it."""
    if night is None:
        verdict = LimitVerdict(
            limit.figure, "max", _condition(limit), None, None, None, limit.max, UNDECIDED, 0
        )
        return _Held(verdict, f"{limit.figure}: no cycle could be judged", ("a cycle that can be judged",))
    value, count = night.pooled.mean, night.pooled.count
    common = abs(value) * (u_factor_rel or 0.0)
    u, nu = _combined(*night.pooled.scatter(), common)
    wide = coverage_factor(nu) * u
    needed = math.ceil(JUDGED_SHARE_MIN * planned)
    word = OF_ALL_LIMITS[against(value - wide, value + wide, limit.max, limit.guard)]
    if night.rejected is not None:
        word = REJECT
    elif word == ACCEPT and count < needed:
        word = UNDECIDED
    verdict = LimitVerdict(limit.figure, "max", _condition(limit), value, u, nu, limit.max, word, count)
    would = _would_decide(limit, night, wide, common, needed) if word == UNDECIDED else ()
    return _Held(verdict, _reason(limit, night, value, wide, needed), would)


def _combined(scatter: float, nu: float, common: float) -> tuple[float, float]:
    """Both parts as one, degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1); the common part has many."""
    u = math.hypot(scatter, common)
    return u, NU_MAX if scatter == 0 else min(nu * (u / scatter) ** 4, NU_MAX)


def _reason(limit: AcceptLimit, night: LimitNight, value: float, wide: float, needed: int) -> str:
    """Why the limit is met, missed or open, with its numbers."""
    unit = unit_of(limit.figure)
    found = interval(value, wide, unit, beside=limit.max)
    text = (
        f"{limit.figure}: {found} over {night.pooled.count} judged cycles, limit {quantity(limit.max, unit)}"
    )
    if limit.guard:
        text += f", guard band {quantity(limit.guard, unit)}"
    if night.rejected is not None:
        first, last = night.rejected
        return f"{text}; cycles {first} to {last} each reject"
    if night.pooled.count < needed and not exceeds(value + wide, limit.max - limit.guard):
        return f"{text}; {needed} judged cycles are needed to accept"
    return text


def _would_decide(
    limit: AcceptLimit, night: LimitNight, wide: float, common: float, needed: int
) -> tuple[str, ...]:
    """What an open limit waits for; empty for one that is decided."""
    count, value = night.pooled.count, night.pooled.mean
    line = limit.max - limit.guard
    if not exceeds(value + wide, line):
        return (f"{limit.figure}: {needed - count} more judged cycles",) if count < needed else ()
    room = abs(line - value)
    shared = COVERAGE_OF_MANY * common
    own = math.sqrt(max(wide * wide - shared * shared, 0.0))
    if room <= shared:
        return (
            (
                f"{limit.figure}: no number of cycles, it is nearer to its limit than the calibration is certain; a smaller "
                "uncertainty of the factor would"
            ),
        )
    more = math.ceil(count * own * own / (room * room - shared * shared)) - count
    if more > MORE_MAX:
        return (f"{limit.figure}: hardly, it is on its limit; more than {MORE_MAX} cycles would be needed",)
    return (f"{limit.figure}: about {max(more, needed - count, 1)} more judged cycles like these",)
