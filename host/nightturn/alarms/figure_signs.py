"""Figures of a fixture that ask for a person: by their course, or because they stay beyond what the variant accepts."""

from collections.abc import Mapping

import msgspec

from nightturn.alarms.conditions import FIGURES
from nightturn.alarms.level import Level
from nightturn.alarms.words import Sign
from nightturn.model.figures import OK, CycleRecord
from nightturn.model.quantities import quantity
from nightturn.model.trends import TODAY, URGENCIES, Notice
from nightturn.model.verdicts import MAX, MIN, NOT_JUDGED

ACCEPT = "accept_"
UNITS = (("_pct_rated", "% of rated torque"), ("_nm", "N·m"))


class FigureSigns(msgspec.Struct):
    """What is known of the figures of one run.

    Attributes:
        limits: of the variant, by `max_figure` or `min_figure`. levels: by that and the direction in which the cycle began.
        beyond: sentences of the figures that are beyond. notices: what courses ask.
    """

    limits: dict[str, float] = {}
    levels: dict[str, Level] = {}
    beyond: dict[str, str] = {}
    notices: tuple[Notice, ...] = ()

    def begin(self) -> None:
        """Another run."""
        self.levels, self.beyond, self.notices = {}, {}, ()

    def take_limits(self, info: Mapping[str, object]) -> None:
        """What stands on the fixture, as it is announced."""
        self.limits = {
            name.removeprefix(ACCEPT): float(value)
            for name, value in info.items()
            if name.startswith(ACCEPT) and isinstance(value, int | float)
        }

    def cycle(self, record: CycleRecord) -> None:
        """A cycle has its figures; one that was not judged says nothing against a limit."""
        if record.verdict == NOT_JUDGED:
            return
        for figure in record.figures:
            if figure.status != OK or figure.value is None:
                continue
            for bound, sign in ((MAX, 1.0), (MIN, -1.0)):
                limit = self.limits.get(f"{bound}_{figure.name}")
                if limit is not None:
                    self._against(record, figure.name, bound, sign * figure.value, sign * limit)

    def _against(self, record: CycleRecord, name: str, bound: str, value: float, limit: float) -> None:
        """One figure; `value` and `limit` have their signs turned for a lower bound."""
        key = f"{bound}_{name}"
        directed = f"{key}_{record.direction}"
        level = self.levels.setdefault(directed, Level())
        if not level.add(record.ts_end, value, limit):
            return
        if level.there:
            unit = next((unit for end, unit in UNITS if name.endswith(end)), "")
            shown, allowed = (
                quantity(abs(value), unit, beside=limit),
                quantity(abs(limit), unit, beside=value),
            )
            side = "at most" if bound == MAX else "at least"
            title = name.partition("_")[0]
            self.beyond[directed] = (
                f"{title} is {shown} for {level.count} cycles in a row, {side} {allowed} is accepted"
            )
        else:
            self.beyond.pop(directed, None)

    def sign(self, fixture: str, run: str) -> Sign:
        """All of it as one sign: one cause moves several figures."""
        found = [
            (notice.urgency, f"{notice.figure} {notice.condition}".strip(), notice.said)
            for notice in self.notices
        ]
        found += [(TODAY, f"{key} beyond", said) for key, said in self.beyond.items()]
        if not found:
            return Sign(fixture, FIGURES, there=False, run=run)
        worst = max(found, key=lambda each: URGENCIES.index(each[0]))
        more = len(found) - 1
        said = f"{worst[2]}; and {more} more of its figures" if more else worst[2]
        parts = tuple(sorted({part for _, part, _ in found}))
        return Sign(fixture, FIGURES, there=True, said=said, severity=worst[0], run=run, parts=parts)
