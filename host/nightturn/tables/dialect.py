"""How a table of numbers was written: delimiter, decimal sign, lines before the numbers, names and units of its columns."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.errors import TableError
from nightturn.tables.units import Unit, named_with_unit, unit_of

BLANKS = "blanks"
"""The delimiter of a table whose columns lie apart by blanks."""
DELIMITERS = {";": ";", "tab": "\t", ",": ",", "|": "|", BLANKS: BLANKS}
"""By what a person may call them; the order decides between equals."""
DECIMALS = (".", ",")
HEAD_LINES = 400
"""Lines from which the dialect is read."""
COMMENT = ("#", "%")
STAMP = re.compile(r"^(\d{4}-\d\d-\d\d[T ])?\d{1,2}:\d\d:\d\d([.,]\d+)?Z?$")
"""A time of day, or a date with one."""
MISSING = {"", "nan", "na", "n/a", "null", "-", "--"}
"""What stands where a value is missing."""
_DIGITS = {
    decimal: re.compile(rf"^[+-]?(\d+({re.escape(decimal)}\d*)?|{re.escape(decimal)}\d+)([eE][+-]?\d+)?$")
    for decimal in DECIMALS
}
_SPACED = re.compile(r"\t|\s{2,}")


@dataclass(frozen=True, slots=True)
class Dialect:
    """The dialect of one table.

    Attributes:
        delimiter: one character, or `BLANKS`.
        decimal: sign between units and tenths.
        quoted: whether fields stand in quotation marks.
        skip: lines in front of the first row of numbers.
        names: of the columns, empty where one has none.
        units: of the columns, None where one has none.
        stamps: whether a column holds times of day.
    """

    delimiter: str
    decimal: str
    quoted: bool
    skip: int
    names: tuple[str, ...]
    units: tuple[Unit | None, ...]
    stamps: tuple[bool, ...]

    @property
    def columns(self) -> int:
        """How many."""
        return len(self.names)

    def called(self, at: int) -> str:
        """A column as a person finds it: `column 2 (bridge, mV)`."""
        unit = self.units[at]
        words = ", ".join(each for each in (self.names[at], unit.text if unit else "") if each)
        return f"column {at + 1} ({words})" if words else f"column {at + 1}"


@dataclass(frozen=True, slots=True)
class _Fit:
    """How many rows of so many fields a delimiter and a decimal sign make of the head."""

    rows: int
    fields: int
    delimiter: str
    decimal: str


def is_number(field: str, decimal: str) -> bool:
    """Whether a field is a number with this decimal sign."""
    return _DIGITS[decimal].match(field) is not None


def split_row(line: str, delimiter: str, *, quoted: bool) -> list[str]:
    """The fields of a line, without blanks and quotation marks around them."""
    if delimiter == BLANKS:
        return line.replace('"', "").split() if quoted else line.split()
    if quoted and '"' in line:
        line = re.sub(r'"([^"]*)"', lambda found: found[1].replace(delimiter, "\x1f"), line)
        return [field.strip().replace("\x1f", delimiter) for field in line.split(delimiter)]
    return [field.strip() for field in line.split(delimiter)]


def sniffed(
    lines: Sequence[str], *, where: str, delimiter: str | None = None, decimal: str | None = None
) -> Dialect:
    """The dialect of a table, from its first whole lines.

    Args:
        lines: at most the first `HEAD_LINES`, without line ends.
        where: the file, for messages.
        delimiter: one of `DELIMITERS` if a person said so.
        decimal: one of `DECIMALS` if a person said so.

    Raises:
        TableError: nothing looks like a table of numbers, or two readings are as good; says the line and the remedy.
    """
    quoted = any('"' in line for line in lines)
    last = max((at for at, line in enumerate(lines) if _has_text(line)), default=-1)
    if last < 0:
        raise TableError(f"{where}: no text in it; save the capture again")
    fits = [
        _fit(lines[: last + 1], each, sign, quoted=quoted)
        for each in ([DELIMITERS[delimiter]] if delimiter else DELIMITERS.values())
        for sign in ([decimal] if decimal else DECIMALS)
        if quoted or each != sign
    ]
    best = max(fits, key=lambda fit: (fit.rows, fit.fields > 1))
    if best.rows == 0:
        raise TableError(
            f"{where}, line {last + 1}: no row of numbers: {_cut(lines[last])!r}; save rows of numbers, or name --delimiter and --decimal"
        )
    if not (delimiter or decimal):
        best = _decided(fits, best, lines, quoted=quoted, where=where)
    return _dialect(lines[: last + 1], best, quoted=quoted)


def _has_text(line: str) -> bool:
    return bool(line.strip()) and not line.lstrip().startswith(COMMENT)


def _cut(line: str) -> str:
    return line if len(line) <= 60 else f"{line[:57]}..."


def _fit(lines: Sequence[str], delimiter: str, decimal: str, *, quoted: bool) -> _Fit:
    """How many rows are numbers throughout and as long as most of these."""
    lengths = Counter(
        len(found)
        for line in lines
        if _has_text(line) and _numbers(found := split_row(line, delimiter, quoted=quoted), decimal)
    )
    fields, rows = max(lengths.items(), key=lambda item: item[1], default=(0, 0))
    return _Fit(rows, fields, delimiter, decimal)


def _numbers(fields: Sequence[str], decimal: str) -> bool:
    """Whether all fields are numbers, times or missing, and one at least is there."""
    if all(field.lower() in MISSING for field in fields):
        return False
    return all(
        is_number(field, decimal) or field.lower() in MISSING or STAMP.match(field) for field in fields
    )


def _decided(fits: Sequence[_Fit], best: _Fit, lines: Sequence[str], *, quoted: bool, where: str) -> _Fit:
    """The best reading, once no other is as good.

    Raises:
        TableError: a comma may be the decimal sign or the delimiter.
    """
    comma = next((fit for fit in fits if fit.delimiter == "," and fit.decimal == "." and fit.rows), None)
    if comma is None or best is not comma:
        return best
    first = _first_row(lines, comma, quoted=quoted)
    rows = [line for line in lines[first:] if _has_text(line)]
    if any("." in row or ", " in row or "e" in row.lower() for row in rows):
        return best
    names = _names_above(lines, first, comma, quoted=quoted)
    if names is not None:
        return best
    header = next((line for line in reversed(lines[:first]) if _has_text(line)), "")
    if header and 2 * len(header.split(",")) == comma.fields:
        raise TableError(
            f"{where}, line {first + 1}: {len(header.split(','))} names above, {comma.fields} fields in the row: commas part the columns and "
            "the decimals; save it with another delimiter, such as a semicolon"
        )
    raise TableError(
        f"{where}, line {first + 1}: the commas of {_cut(rows[0])!r} may part columns of whole numbers or be decimal signs; "
        "give --delimiter , or --decimal ,"
    )


def _first_row(lines: Sequence[str], fit: _Fit, *, quoted: bool) -> int:
    """The first line that is a row of numbers; one alone with names below it still belongs to the preamble.

    What differs behind it is an error, so that nothing is left out in silence.
    """
    rows = []
    for at, line in enumerate(lines):
        if _has_text(line):
            found = split_row(line, fit.delimiter, quoted=quoted)
            good = len(found) == fit.fields and _numbers(found, fit.decimal)
            names = fit.fields > 1 and not any(is_number(each, fit.decimal) for each in found)
            rows.append((at, good, names and not good))
    following = (*(names for _, _, names in rows[1:]), False)
    return next(at for (at, good, _), names in zip(rows, following, strict=True) if good and not names)


def _dialect(lines: Sequence[str], fit: _Fit, *, quoted: bool) -> Dialect:
    first = _first_row(lines, fit, quoted=quoted)
    row = split_row(lines[first], fit.delimiter, quoted=quoted)
    names, units = _heads(lines, first, fit, quoted=quoted)
    return Dialect(
        fit.delimiter,
        fit.decimal,
        quoted,
        first,
        names,
        units,
        tuple(STAMP.match(field) is not None for field in row),
    )


def _heads(
    lines: Sequence[str], first: int, fit: _Fit, *, quoted: bool
) -> tuple[tuple[str, ...], tuple[Unit | None, ...]]:
    """Names and units of the columns: in one line, or units in a line of their own below the names."""
    nothing = ("",) * fit.fields
    above = _names_above(lines, first, fit, quoted=quoted)
    if above is None:
        return nothing, (None,) * fit.fields
    at, fields = above
    units = tuple(unit_of(field) for field in fields)
    if any(units) and all(unit or not _word(field) for unit, field in zip(units, fields, strict=True)):
        higher = _names_above(lines, at, fit, quoted=quoted)
        if higher is None:
            return nothing, units
        pairs = [named_with_unit(field) for field in higher[1]]
        return tuple(name for name, _ in pairs), tuple(
            below or own for below, (_, own) in zip(units, pairs, strict=True)
        )
    pairs = [named_with_unit(field) for field in fields]
    return tuple(name for name, _ in pairs), tuple(unit for _, unit in pairs)


def _word(field: str) -> str:
    return field.strip("[](){}<> -")


def _names_above(
    lines: Sequence[str], below: int, fit: _Fit, *, quoted: bool
) -> tuple[int, list[str]] | None:
    """The nearest line above with a text for every column, and these texts."""
    for at in range(below - 1, -1, -1):
        line = lines[at].lstrip().lstrip("#%").strip()
        if not line:
            continue
        for fields in _readings(line, fit.delimiter, quoted=quoted):
            whole = [*fields, ""] if len(fields) == fit.fields - 1 else fields
            if len(whole) == fit.fields and any(whole):
                return at, whole
        return None
    return None


def _readings(line: str, delimiter: str, *, quoted: bool) -> list[list[str]]:
    """A line of names may be parted otherwise than its numbers: by two blanks, where names have one inside."""
    plain = [field.strip('"') for field in split_row(line, delimiter, quoted=quoted)]
    return [plain, [field.strip() for field in _SPACED.split(line)]] if delimiter == BLANKS else [plain]
