"""The verdict of a night: every judged cycle counts, limit by limit.

A limit is held against the mean over all judged cycles with its ±: the scatter between cycles, and the part that all
cycles share, because they were measured through one calibration, which no number of cycles makes smaller. Three judged
cycles in a row that reject decide as well, at any time of the night. What cannot be counted is said, and keeps a night
from being accepted. Nothing here reads a clock, and the state does not grow with the night.
"""

import math
from collections.abc import Sequence

import msgspec

from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import SENSE, bound_text, interval_of, on_the_line
from nightturn.estimation.draft import combined
from nightturn.estimation.figures import unit_of
from nightturn.estimation.intervals import own_part
from nightturn.estimation.pooled import Pooled
from nightturn.estimation.purpose import Basis, Steadiness, purpose_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import BUDGET, NU_MANY, REPEATABILITY, BudgetLine, CycleRecord, Figure
from nightturn.model.limits import AT_LIMIT
from nightturn.model.nights import WITH_SIGN, LimitVerdict, NightVerdict
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.verdicts import (
    ACCEPT,
    DECISION_RULE,
    MAX,
    MET,
    MISSED,
    NOT_JUDGED,
    OF_ALL_LIMITS,
    REJECT,
    UNDECIDED,
    against,
)

REJECTS_IN_A_ROW = 3
"""Judged cycles in a row that reject the unit, whatever the others say."""
JUDGED_SHARE_MIN = 0.8
"""Of the planned cycles; a unit is not accepted on fewer."""
ONE_SENSE = 0.5
"""Share of the planned cycles that begin in one sense: they alternate."""
MORE_MAX = 100_000
"""Cycles that nobody will wait for."""
COVERAGE_OF_MANY = 1.96
"""Of the common part, whose degrees of freedom are many."""
REPEATABILITY_ONLY = "the calibration record carries no certificate data: ± is repeatability only"
NO_LIMIT = "the variant sets no acceptance limit"
UNCOUNTED_KEPT = 8
"""Sentences on cycles that are missing from the count; one is enough to keep a night from being accepted."""
NO_RELEASE = Basis()
NOT_COUNTED = " not counted: "
UNKNOWN = "what counted them is lost"
ANOTHER_RUN = "another run: cycles are missing from the count of this one, so it cannot be accepted"


class LimitNight(msgspec.Struct):
    """One limit over the night.

    Attributes:
        row: judged cycles in a row, up to now, that reject.
        row_from: the first of them.
        rejected: first and last cycle of the longest such row that decides; None while none does.
        budgeted: cycles whose ± is of the whole budget.
    """

    pooled: Pooled = msgspec.field(default_factory=Pooled)
    row: int = 0
    row_from: int = 0
    rejected: tuple[int, int] | None = None
    rejecting: int = 0
    budgeted: int = 0

    def add(self, cycle_no: int, word: str, figure: Figure) -> None:
        """A judged cycle."""
        assert figure.value is not None
        self.pooled.add(figure.value, *own_part(figure), figure.u_common)
        self.budgeted += figure.kind == BUDGET
        if word != MISSED:
            self.row = 0
            return
        self.rejecting += 1
        self.row_from = cycle_no if self.row == 0 else self.row_from
        self.row += 1
        longest = 0 if self.rejected is None else self.rejected[1] - self.rejected[0] + 1
        if self.row >= REJECTS_IN_A_ROW and self.row > longest:
            self.rejected = self.row_from, cycle_no

    def break_row(self) -> None:
        """Cycles are left out here, and may have been good."""
        self.row = 0


class Night(msgspec.Struct):
    """All limits over the night, by their text; the whole state can be encoded.

    Attributes:
        cycles: finished cycles that were counted, judged or not.
        next_cycle: the number that the next one has.
        uncounted: sentences on cycles that are missing from the count.
        steadiness: what the cycles say of time and temperature.
    """

    cycles: int = 0
    next_cycle: int = 1
    limits: dict[str, LimitNight] = {}
    uncounted: list[str] = []
    steadiness: Steadiness = msgspec.field(default_factory=Steadiness)

    def add(self, cycle: CycleRecord, accept: Sequence[AcceptLimit]) -> None:
        """A finished cycle, also one that nothing could be judged of; `accept` are the limits it was held against."""
        self.steadiness.add(cycle)
        self.count(cycle.cycle_no, cycle.limit_words, cycle.figures, accept)

    def count(
        self, cycle_no: int, words: Sequence[str], figures: Sequence[Figure], accept: Sequence[AcceptLimit]
    ) -> None:
        """The same by what counts of it: its number, the word on each limit and the figures that were judged."""
        self.expect(cycle_no)
        self.hold_against(accept)
        self.cycles += 1
        self.next_cycle = cycle_no + 1
        by_name = {figure.name: figure for figure in figures}
        for limit, word in zip(accept, words, strict=True):
            if word != NOT_JUDGED:
                self.limits[_key(limit)].add(cycle_no, word, by_name[limit.figure])

    def expect(self, cycle_no: int, why: str = UNKNOWN) -> None:
        """The next cycle has this number; those that it leaves out are not counted."""
        last = cycle_no - 1
        if last >= self.next_cycle:
            one = last == self.next_cycle
            which = f"cycle {last} is" if one else f"cycles {self.next_cycle} to {last} are"
            self.leave_out(f"{which}{NOT_COUNTED}{why}")
            self.next_cycle = cycle_no
            for limit in self.limits.values():
                limit.break_row()

    def hold_against(self, accept: Sequence[AcceptLimit]) -> None:
        """The limits that hold from here on; cycles that were held against others are not counted for them."""
        limits = {_key(limit): LimitNight() for limit in accept}
        if self.cycles and limits.keys() != self.limits.keys():
            last = self.next_cycle - 1
            which = "cycle 1 was" if last == 1 else f"cycles 1 to {last} were"
            self.leave_out(f"{which} held against other limits: the variant's acceptance was changed")
        self.limits = {key: self.limits.get(key, fresh) for key, fresh in limits.items()}

    def lose(self, why: str) -> None:
        """Records of the run are lost; nobody knows how many cycles were finished in them."""
        since = f" after cycle {self.next_cycle - 1}" if self.next_cycle > 1 else ""
        self.leave_out(f"cycles{since} may be missing from the count: {why}")

    def leave_out(self, sentence: str) -> None:
        """Cycles are missing from the count, and this says which; of too many sentences the first stay."""
        if sentence not in self.uncounted and len(self.uncounted) < UNCOUNTED_KEPT:
            self.uncounted.append(sentence)

    def verdict(self, accept: Sequence[AcceptLimit], planned: int, basis: Basis = NO_RELEASE) -> NightVerdict:
        """What all cycles up to now say together.

        Args:
            accept: the limits.
            planned: cycles of the plan.
            basis: what a release rests on beside the cycles; the default asks for none.
        """
        purpose, because = purpose_of(basis, self.steadiness, self.cycles)
        found = self._judged(accept, planned)
        return msgspec.structs.replace(found, purpose=purpose, engineering_because=because)

    def _judged(self, accept: Sequence[AcceptLimit], planned: int) -> NightVerdict:
        if not accept:
            return NightVerdict(NOT_JUDGED, (NO_LIMIT,), (), (), self.cycles, planned)
        terms = _Terms(planned, whole=not self.uncounted)
        held = [_held(limit, self.limits.get(_key(limit)), terms) for limit in accept]
        words = [each.verdict.word for each in held]
        word = REJECT if REJECT in words else ACCEPT if set(words) == {ACCEPT} else UNDECIDED
        reasons = [each.reason for each in held if word in (ACCEPT, each.verdict.word)]
        reasons += self.uncounted
        if any(each.verdict.kind == REPEATABILITY for each in held if each.verdict.value is not None):
            reasons.append(REPEATABILITY_ONLY)
        would = [text for each in held for text in each.would_decide] if word == UNDECIDED else []
        if word == UNDECIDED and self.uncounted:
            would.append(ANOTHER_RUN)
        limits = tuple(each.verdict for each in held)
        return NightVerdict(
            word, tuple(reasons), limits, tuple(would), self.cycles, planned, rule=DECISION_RULE
        )


def still_uncounted(verdict: NightVerdict | None) -> list[str]:
    """What of a verdict's reasons holds although its cycles are counted again: that others may be missing.

    A reason that begins with no limit's figure is one of these or of the calibration. Which cycles are not counted, the new
    count says itself.
    """
    if verdict is None:
        return []
    others = [
        each
        for each in verdict.reasons
        if not any(each.startswith(f"{limit.figure}: ") for limit in verdict.limits)
    ]
    return [each for each in others if each not in {NO_LIMIT, REPEATABILITY_ONLY} and NOT_COUNTED not in each]


class _Terms(msgspec.Struct, frozen=True):
    """Beside what was measured: the plan, and whether every cycle is in the count."""

    planned: int
    whole: bool


class _Held(msgspec.Struct, frozen=True):
    verdict: LimitVerdict
    reason: str
    would_decide: tuple[str, ...] = ()


def _key(limit: AcceptLimit) -> str:
    return msgspec.json.encode(limit).decode()


def _condition(limit: AcceptLimit) -> str:
    parts = []
    if limit.at_rpm is not None:
        parts.append(f"at {quantity(limit.at_rpm, 'rpm')}")
    if limit.at_torque_nm is not None:
        parts.append(f"at {quantity(limit.at_torque_nm, 'N·m')}")
    if limit.temp_degc is not None:
        parts.append(f"from {number(limit.temp_degc[0])} to {number(limit.temp_degc[1])} °C")
    if limit.turning:
        parts.append(f"turning in the {SENSE[limit.turning]} sense")
    if limit.signed:
        parts.append(WITH_SIGN)
    return ", ".join(parts)


def _held(limit: AcceptLimit, night: LimitNight | None, terms: _Terms) -> _Held:
    """One limit against what the night says of it."""
    if night is None or not night.pooled.count:
        verdict = LimitVerdict(
            limit.figure,
            limit.bound,
            _condition(limit),
            None,
            None,
            None,
            limit.limit,
            UNDECIDED,
            0,
            guard=limit.guard,
        )
        return _Held(verdict, f"{limit.figure}: no cycle could be judged", ("a cycle that can be judged",))
    value, count = night.pooled.mean, night.pooled.count
    common = night.pooled.u_common
    u, nu = _combined(*night.pooled.scatter(), common)
    wide = coverage_factor(nu) * u
    needed = math.ceil(JUDGED_SHARE_MIN * terms.planned * (ONE_SENSE if limit.turning else 1.0))
    word = OF_ALL_LIMITS[against(*interval_of(value, wide, limit), limit.limit, limit.guard, limit.bound)]
    if night.rejected is not None:
        word = REJECT
    elif word == ACCEPT and (count < needed or not terms.whole):
        word = UNDECIDED
    kind = BUDGET if night.budgeted == count else REPEATABILITY
    verdict = LimitVerdict(
        limit.figure,
        limit.bound,
        _condition(limit),
        value,
        u,
        nu,
        limit.limit,
        word,
        count,
        kind,
        limit.guard,
    )
    would = _would_decide(limit, night, wide, common, needed) if word == UNDECIDED else ()
    return _Held(verdict, _reason(limit, night, value, wide, needed), would)


def _combined(scatter: float, nu: float, common: float) -> tuple[float, float]:
    """Both parts as one, degrees of freedom after Welch and Satterthwaite (JCGM 100:2008, G.4.1); the common part has many."""
    lines = (
        BudgetLine("between cycles", scatter, nu, common=False, source="all judged cycles"),
        BudgetLine("common part", common, NU_MANY, common=True, source="their budgets"),
    )
    return combined(lines)


def _reason(limit: AcceptLimit, night: LimitNight, value: float, wide: float, needed: int) -> str:
    """Why the limit is met, missed or open, with its numbers."""
    unit = unit_of(limit.figure)
    found = interval(value, wide, unit, beside=limit.limit)
    text = f"{limit.figure}: {found} over {_judged(night.pooled.count)}, {bound_text(limit)}"
    low, high = interval_of(value, wide, limit)
    if on_the_line(low, high, limit):
        text += f", an end of the interval {AT_LIMIT}"
    if night.rejected is not None:
        first, last = night.rejected
        return f"{text}; cycles {first} to {last} each reject"
    if night.pooled.count < needed and against(low, high, limit.limit, limit.guard, limit.bound) == MET:
        return f"{text}; at least {_judged(needed)} must be there to accept"
    return text


def _judged(count: int, more: str = "") -> str:
    return f"{count} {more}judged cycle{'' if count == 1 else 's'}"


def _would_decide(
    limit: AcceptLimit, night: LimitNight, wide: float, common: float, needed: int
) -> tuple[str, ...]:
    """What an open limit waits for; empty for one that is decided."""
    count, value = night.pooled.count, night.pooled.mean
    low, high = interval_of(value, wide, limit)
    line = limit.limit - limit.guard if limit.bound == MAX else limit.limit + limit.guard
    if against(low, high, limit.limit, limit.guard, limit.bound) == MET:
        return (f"{limit.figure}: {_judged(needed - count, 'more ')}",) if count < needed else ()
    room = abs(line - (value if limit.signed else abs(value)))
    shared = COVERAGE_OF_MANY * common
    own = math.sqrt(max(wide * wide - shared * shared, 0.0))
    if room <= shared:
        return (
            (
                f"{limit.figure}: no number of cycles, it is nearer to its limit than the calibration is certain; a "
                "certificate with a smaller uncertainty would"
            ),
        )
    more = math.ceil(count * own * own / (room * room - shared * shared)) - count
    if more > MORE_MAX:
        return (f"{limit.figure}: hardly, it is on its limit; more than {MORE_MAX} cycles would be needed",)
    return (f"{limit.figure}: about {_judged(max(more, needed - count, 1), 'more ')} like these",)
