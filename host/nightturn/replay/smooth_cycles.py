"""What `nightturn.smoothness` gives back: cycle records, as a sequence, a table and a pandas frame."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, overload

from typing_extensions import override

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.intervals import half_width
from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.quantities import interval, number, quantity

if TYPE_CHECKING:
    import pandas as pd

COLUMNS = 80
INDENT = "    "
NOT_KNOWN = "not known"


class SmoothCycles(Sequence[CycleRecord]):
    """The cycles found in arrays, in their order, and what has to be said of the arrays.

    Attributes:
        notes: what was assumed or left out, as sentences.
    """

    __slots__ = ("_records", "notes")

    def __init__(self, records: Sequence[CycleRecord], notes: Sequence[str] = ()) -> None:
        self._records = tuple(records)
        self.notes = tuple(notes)

    @override
    def __len__(self) -> int:
        return len(self._records)

    @overload
    def __getitem__(self, at: int) -> CycleRecord: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[CycleRecord]: ...

    @override
    def __getitem__(self, at: int | slice) -> CycleRecord | Sequence[CycleRecord]:
        return self._records[at]

    def frame(self) -> "pd.DataFrame":
        """One row a cycle with the columns of the dataset `cycles`."""
        from nightturn.storage.datasets import cycles_table

        return cycles_table(self._records).to_pandas()

    @override
    def __str__(self) -> str:
        lines = [line for record in self._records for line in _cycle_lines(record)]
        for note in self.notes:
            lines += _wrapped(f"note: {note}", "")
        return "\n".join(lines)

    __repr__ = __str__


def _cycle_lines(record: CycleRecord) -> list[str]:
    lines = [f"cycle {record.cycle_no}: {record.status}, slow passes at {quantity(record.speed_rpm, 'rpm')}"]
    if record.setpoint_nm:
        lines[0] += f", holding {quantity(record.setpoint_nm, 'N·m')}"
    for reason in record.reasons:
        lines += _wrapped(reason, "  ")
    wide = max(len(figure.name) for figure in record.figures)
    for figure in record.figures:
        lines += _wrapped(f"{figure.name.ljust(wide)}  {_found(figure)}", "  ")
        for reason in figure.reasons:
            lines += _wrapped(reason, INDENT)
    return lines


def _found(figure: Figure) -> str:
    unit = FIGURES[figure.name].unit if figure.name in FIGURES else "N·m"
    if figure.value is None:
        return f"{NOT_KNOWN} ({figure.status})"
    wide = half_width(figure)
    if wide is None:
        return f"{quantity(figure.value, unit)}, ± {NOT_KNOWN} ({figure.status})"
    turns = f"{number(figure.n)} turn{'' if figure.n == 1 else 's'}"
    return f"{interval(figure.value, wide, unit)} ({figure.kind}), {turns}, {figure.status}"


def _wrapped(text: str, indent: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, COLUMNS, initial_indent=indent, subsequent_indent=indent + "  ")
