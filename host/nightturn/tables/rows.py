"""The rows of a table as arrays, piece of text by piece of text, with the line of whatever is no number."""

import io
import re
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nightturn.errors import TableError
from nightturn.tables.dialect import BLANKS, COMMENT, MISSING, Dialect, is_number, split_row

Float64s = npt.NDArray[np.float64]
LINE_MAX = 100_000
"""Characters of one line; a longer one is no row of a table."""
DAY_S = 86_400.0
_STAMP = re.compile(r"^(?:(\d{4}-\d\d-\d\d)[T ])?(\d{1,2}):(\d\d):(\d\d(?:[.,]\d+)?)Z?$")
_FIELDS = "\x1f"


class RowReader:
    """Rows of chosen columns from a text that arrives in pieces; a missing value is not a number."""

    def __init__(self, dialect: Dialect, places: Sequence[int], where: str) -> None:
        self.dialect = dialect
        self.places = tuple(places)
        self.where = where
        self._waiting = ""
        self._line = 1
        self._skip = dialect.skip
        self._day: np.datetime64 | None = None
        self._last_lines: list[int] | tuple[int, str] = []

    def take(self, text: str) -> Float64s:
        """The rows (n, columns) that a further piece of the text completes.

        Raises:
            TableError: a field is no number, or a row has another number of fields; says line, column and remedy.
        """
        whole, newline, rest = (self._waiting + text).rpartition("\n")
        self._waiting = rest
        if len(rest) > LINE_MAX:
            raise TableError(
                f"{self.where}, line {self._line}: longer than {LINE_MAX} characters; this is no table of rows"
            )
        return self._rows(whole + newline)

    def end(self) -> Float64s:
        """The rows of what is left when the text has ended."""
        rest, self._waiting = self._waiting, ""
        return self._rows(rest)

    def line_of(self, row: int) -> int:
        """The line on which a row of the last piece stood."""
        if isinstance(self._last_lines, tuple):
            first, text = self._last_lines
            self._last_lines = [first + at for at, line in enumerate(text.split("\n")) if _is_row(line)]
        return self._last_lines[row]

    def _rows(self, text: str) -> Float64s:
        if self._skip and text:
            lines = text.split("\n")
            dropped = min(self._skip, len(lines) - 1)
            self._skip -= dropped
            self._line += dropped
            text = "\n".join(lines[dropped:])
        if not text.strip() or self._skip:
            self._line += text.count("\n")
            return np.zeros((0, len(self.places)))
        first = self._line
        self._line += text.count("\n")
        self._last_lines = (first, text)
        if any(self.dialect.stamps[at] for at in self.places):
            return self._slowly(first, text)
        fast = self._fast(text)
        return self._slowly(first, text) if fast is None else fast

    def _fast(self, text: str) -> Float64s | None:
        """The rows by numpy's reader; None where a field needs a closer look."""
        dialect = self.dialect
        plain, delimiter = text, dialect.delimiter
        if dialect.quoted:
            plain = plain.replace(f'"{delimiter}"', f'"{_FIELDS}"') if delimiter == dialect.decimal else plain
            plain = plain.replace('"', "")
            delimiter = _FIELDS if delimiter == dialect.decimal else delimiter
        if dialect.decimal == ",":
            plain = plain.replace(",", ".")
        count = plain.count("\n") + (not plain.endswith("\n"))
        fields = len(plain.split()) if delimiter == BLANKS else plain.count(delimiter) + count
        if fields != count * dialect.columns:
            return None
        try:
            found = np.loadtxt(
                io.StringIO(plain),
                delimiter=None if delimiter == BLANKS else delimiter,
                usecols=self.places,
                ndmin=2,
                comments=None,
            )
        except ValueError:
            return None
        return None if np.isinf(found).any() else found

    def _slowly(self, first: int, text: str) -> Float64s:
        """The rows field by field, for stamps, missing values and to say what is wrong."""
        rows, numbers = [], []
        for at, line in enumerate(text.split("\n")):
            if _is_row(line):
                numbers.append(first + at)
                rows.append(self._row(first + at, line))
        self._last_lines = numbers
        return np.array(rows, np.float64).reshape(len(rows), len(self.places))

    def _row(self, line_no: int, line: str) -> list[float]:
        dialect = self.dialect
        fields = split_row(line, dialect.delimiter, quoted=dialect.quoted)
        if len(fields) != dialect.columns:
            raise TableError(
                f"{self.where}, line {line_no}: {len(fields)} fields where the rows before have {dialect.columns}: {line.strip()[:60]!r}; "
                "correct or remove the line, or begin a comment with #"
            )
        return [self._field(fields[at], at, line_no) for at in self.places]

    def _field(self, field: str, at: int, line_no: int) -> float:
        if is_number(field, self.dialect.decimal):
            return float(field.replace(",", "."))
        if field.lower() in MISSING:
            return float("nan")
        stamp = _STAMP.match(field) if self.dialect.stamps[at] else None
        if stamp:
            return self._seconds(stamp)
        remedy = "write a number, or leave the field empty where the value is missing"
        other = "," if self.dialect.decimal == "." else "."
        if is_number(field, other):
            remedy = f"the first rows have the decimal sign {self.dialect.decimal!r}; use one throughout, or give --decimal {other}"
        elif field.lower().lstrip("+-") in {"inf", "infinity", "ovl", "ol", "overload"}:
            remedy = "the instrument was beyond its range there; leave the field empty, or record with a wider range"
        raise TableError(
            f"{self.where}, line {line_no}, {self.dialect.called(at)}: {field!r} is no number; {remedy}"
        )

    def _seconds(self, stamp: re.Match[str]) -> float:
        """Seconds of a time of day, from the first day on where dates are given."""
        day, hours, minutes, seconds = stamp.groups()
        of_day = int(hours) * 3600.0 + int(minutes) * 60.0 + float(seconds.replace(",", "."))
        if day is None:
            return of_day
        date = np.datetime64(day, "D")
        if self._day is None:
            self._day = date
        return float((date - self._day).astype(np.int64)) * DAY_S + of_day


def _is_row(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith(COMMENT)
