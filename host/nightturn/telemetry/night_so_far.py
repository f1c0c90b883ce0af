"""What of a night travels in a retained state: how soon a person has to act, the first sentence, and the night as a few points.

A daemon knows the cycles since its own start; the strip says from when on it is.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import zip_longest

from nightturn.estimation.figures import FIGURES, FRICTION, unit_of
from nightturn.estimation.intervals import half_width
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.nights import LimitVerdict
from nightturn.model.rows import StandingRow, StateRow
from nightturn.model.verdicts import MAX
from nightturn.motion.permission import MotionState
from nightturn.sentences.first_words import (
    FirstWords,
    SoFar,
    first_words_of,
    limit_said,
    standing_words,
    too_few,
    with_courses,
)
from nightturn.sentences.morning import LimitSaid
from nightturn.sentences.purpose import purpose_sentence
from nightturn.telemetry.moments import utc_text
from nightturn.telemetry.numbers import rounded

POINTS_MAX = 60
NEWEST_MAX = 32
"""Cycles among which one beyond its limit is looked for."""
SERIOUS = 0.01
"""Part of the samples that are missing, from which on a night was disturbed."""


@dataclass(frozen=True, slots=True)
class _Part:
    """Some cycles in a row: when the last ended, and the extremes; None where none of them was judged."""

    ts: int
    low: float | None
    high: float | None

    def joined(self, later: "_Part | None") -> "_Part":
        if later is None:
            return self
        lows = [each for each in (self.low, later.low) if each is not None]
        highs = [each for each in (self.high, later.high) if each is not None]
        return _Part(later.ts, min(lows, default=None), max(highs, default=None))


@dataclass(slots=True)
class _Course:
    """One figure: its night in at most `POINTS_MAX` parts of `cycles_each` cycles, and its newest values with their ±."""

    parts: list[_Part] = field(default_factory=list)
    newest: deque[tuple[float, float | None]] = field(default_factory=lambda: deque(maxlen=NEWEST_MAX))
    cycles_each: int = 1
    in_last: int = 0

    def add(self, ts: int, value: float | None, half: float | None) -> None:
        if value is not None:
            self.newest.append((value, half))
        part = _Part(ts, value, value)
        if self.parts and self.in_last < self.cycles_each:
            self.parts[-1] = self.parts[-1].joined(part)
            self.in_last += 1
            return
        if len(self.parts) == POINTS_MAX:
            halves = iter(self.parts)
            self.parts = [first.joined(second) for first, second in zip_longest(halves, halves)]
            self.cycles_each *= 2
        self.parts.append(part)
        self.in_last = 1


class NightSoFar:
    """Keeps of the cycles of a run what its state says of them."""

    def __init__(self) -> None:
        self._courses: dict[str, _Course] = {}
        self._begun_ts = 0
        self._done = self._good = 0

    def add(self, cycle: CycleRecord) -> None:
        """A cycle is over."""
        self._begun_ts = self._begun_ts or cycle.ts_start
        self._done += 1
        self._good += cycle.status == OK
        for figure in cycle.figures:
            value = figure.value if figure.status == OK else None
            course = self._courses.setdefault(figure.name, _Course())
            course.add(cycle.ts_end, value, half_width(figure))

    def said(self, row: StateRow) -> dict[str, object]:
        """The keys of a state."""
        words = with_courses(first_words_of(self._so_far(row)), row.trends)
        return {**_words(words), "strip": self.strip(row)}

    def standing(self, row: StandingRow, last: StateRow | None) -> dict[str, object]:
        """The same where no core speaks; `last` is what one said of this run."""
        words = standing_words(row.state, row.reason, row.waits_for)
        return {**_words(words), "strip": self.strip(last) if last is not None else None}

    def strip(self, row: StateRow) -> dict[str, object] | None:
        """The figure that is nearest to its limit over the night, of each part the value nearest to it; None without a cycle.

        Numbers are in `unit`; `after_s` is from `begun_ts` to the end of each part's last cycle; null: not judged.
        """
        limits = row.night_verdict.limits if row.night_verdict is not None else ()
        nearest = max(limits, key=self._used, default=None)
        figure = nearest.figure if nearest is not None else FRICTION
        course = self._courses.get(figure)
        if course is None:
            return None
        upper = nearest is None or nearest.direction == MAX
        return {
            "figure": figure,
            "unit": unit_of(figure),
            "limit": nearest.limit if nearest is not None else None,
            "direction": nearest.direction if nearest is not None else None,
            "begun_ts": utc_text(self._begun_ts),
            "after_s": [round((each.ts - self._begun_ts) / NS_PER_S) for each in course.parts],
            "values": [rounded(each.high if upper else each.low) for each in course.parts],
        }

    def _used(self, each: LimitVerdict) -> float:
        """How much of a limit its newest value takes; a lower limit turned round."""
        course = self._courses.get(each.figure)
        if course is None or not course.newest or not each.limit:
            return -1.0
        part = abs(course.newest[-1][0] / each.limit)
        return part if each.direction == MAX else 1 / max(part, 1e-9)

    def _so_far(self, row: StateRow) -> SoFar:
        verdict, ended = row.night_verdict, row.state == MotionState.ENDED
        limits = verdict.limits if verdict is not None else ()
        said = [FIGURES[each.figure].spoken for each in limits]
        locked = row.state == MotionState.LOCKED
        waits = "; ".join(each.text for each in row.locks) or row.reason if locked else ""
        missing = row.missing > SERIOUS * (row.samples + row.missing)
        return SoFar(
            unit=row.unit,
            word=verdict.word if verdict is not None else None,
            limits=tuple(self._limits(limits)),
            running=not ended,
            ended=ended,
            cycles=row.cycles_done > 0,
            waits=waits,
            few=too_few(verdict, self._good, said),
            purpose=purpose_sentence(verdict) if verdict is not None else "",
            changed=False,  # `with_courses` says it with its own urgency
            disturbed=missing or self._good < self._done - 1,
        )

    def _limits(self, limits: tuple[LimitVerdict, ...]) -> Iterator[LimitSaid]:
        for each in limits:
            spec, newest = FIGURES[each.figure], self._courses.get(each.figure, _Course()).newest
            half = coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else None
            known = ((value, wide) for value, wide in reversed(newest) if wide is not None)
            yield limit_said(each, spec.spoken, spec.unit, half, known)


def _words(words: FirstWords) -> dict[str, object]:
    return {
        "need": words.need.word,
        "sentence": words.sentence,
        "more": words.more,
        "inside_limits": words.inside,
    }
