"""What earlier cycles of a run lend to a cycle that sees little scatter of its own: friction with one turn a pass.

The scatter is taken from successive differences, Σ(x[i+1] - x[i])² / 2(n - 1), not from the deviations from a mean or a
line: warming up, running in and the zero's day move friction by far more over a night than from one cycle to the next,
along curves that no line follows, and all of that would be taken for scatter. For white noise the estimate has
2(n - 1)² / (3n - 4) degrees of freedom (variance of the mean square successive difference: J. von Neumann et al.,
Annals of Mathematical Statistics 12, 1941, 153-162).
"""

import msgspec

from nightturn.estimation import figures as names
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.finish import finish_cycle
from nightturn.model.figures import OK, CycleRecord

CYCLES_KEPT = 20
"""Cycles remembered by direction: enough for 13 degrees of freedom, few enough to follow a change within a night."""


class History(msgspec.Struct):
    """Friction of the last complete cycles by the direction in which they began; the whole state can be encoded.

    Only other conditions end it: a step in friction under the same ones widens u, it never narrows it.

    Attributes:
        conditions: digest and speed under which they were measured; other conditions begin a new history.
        friction_nm: direction -> values, oldest first, at most `CYCLES_KEPT`.
    """

    conditions: str = ""
    friction_nm: dict[int, list[float]] = {}

    def finish(
        self,
        sums: CycleSums,
        conditions: Conditions,
        record_first: int,
        record_last: int,
        ts_start: int,
        ts_end: int,
    ) -> CycleRecord:
        """`finish_cycle` with what is remembered, then remember this cycle too."""
        earlier = self.earlier(sums, conditions)
        record = finish_cycle(
            sums, conditions, record_first, record_last, ts_start, ts_end, previous_friction_nm=earlier
        )
        self.note(record)
        return record

    def earlier(self, sums: CycleSums, conditions: Conditions) -> tuple[float, ...]:
        """What is remembered of cycles like this one, oldest first, N·m; under other conditions a new history begins."""
        key = f"{conditions.config_digest}/{conditions.calibration_id}/{conditions.slow_speed_rpm!r}"
        if key != self.conditions:
            self.clear()
            self.conditions = key
        return tuple(self.friction_nm.get(sums.direction * conditions.sense, ()))

    def clear(self) -> None:
        """Forget everything: what comes next need not be like what was."""
        self.friction_nm = {}

    def note(self, record: CycleRecord) -> None:
        """Remember a complete cycle whose friction is sound."""
        friction = record.figure(names.FRICTION)
        if record.status == OK and friction.status == OK and friction.value is not None:
            values = self.friction_nm.setdefault(record.direction, [])
            values.append(friction.value)
            del values[:-CYCLES_KEPT]
