"""The guided way: one question after the other, until a capture can be read."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed
from nightturn.tables.dialect import Dialect
from nightturn.tables.units import ANGLE, COUNT, RATIO, TIME, TORQUE, VOLTAGE, unit_of

T = TypeVar("T")
TRIES_MAX = 5
"""Wrong answers to one question before it ends."""
NONE = "none"
SIGNALS = {
    "tracks": (("a", "track A"), ("b", "track B")),
    "index": (("index", "the pulse"),),
    "sine": (("sine", "the sine"), ("cosine", "the cosine beside it")),
    NONE: (),
}
"""What an angle may follow from where no column is one: the roles of its columns, in words."""
Ask = Callable[[str], str]
"""Puts a question to a person and gives the answer."""
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Answers:
    """The columns by role and the options, as the command line has them."""

    columns: dict[str, str]
    numbers: dict[str, object]

    def typed(self) -> str:
        """The options that say the same without questions."""
        options = [
            f"--{role} {spec!r}" if " " in spec else f"--{role} {spec}" for role, spec in self.columns.items()
        ]
        names = {"factor": "factor", "rated_nm": "rated", "rate_hz": "rate", "rpm": "rpm", "counts": "counts"}
        for key, name in names.items():
            value = self.numbers.get(key)
            if isinstance(value, int | float):
                options.append(f"--{name} {typed(float(value))}")
        periods = self.numbers.get("periods")
        if isinstance(periods, int) and periods > 1:
            options.append(f"--periods {periods}")
        return " ".join(options)


def asked_of_a_person(dialect: Dialect, given: Answers, ask: Ask, say: Say) -> Answers:
    """What is not given yet, asked.

    Raises:
        ConfigError: a question was answered wrongly too often.
    """
    columns, numbers = dict(given.columns), dict(given.numbers)
    for line in _listed(dialect):
        say(line)
    _ask_of_time_and_torque(dialect, columns, numbers, ask, say)
    _ask_of_angle(dialect, columns, numbers, ask, say)
    if numbers.get("rated_nm") is None:
        numbers["rated_nm"] = _number("Rated torque of the actuator, N·m?", ask, say)
    return Answers(columns, numbers)


def _ask_of_time_and_torque(
    dialect: Dialect, columns: dict[str, str], numbers: dict[str, object], ask: Ask, say: Say
) -> None:
    if not numbers.get("rate_hz") and "time" not in columns:
        spec = _column(
            dialect, "time", f"Which column is the time, by number? ({NONE}: there is none)", ask, say
        )
        if spec:
            columns["time"] = spec
        else:
            numbers["rate_hz"] = _number("Samples a second?", ask, say)
    if "torque" not in columns:
        columns["torque"] = _column(dialect, "torque", "Which column is the torque?", ask, say)
    if numbers.get("factor") is None and _unit(dialect, columns["torque"]) != TORQUE:
        per = "mV/V" if _unit(dialect, columns["torque"]) == RATIO else "V"
        numbers["factor"] = _number(f"Factor, N·m per {per}?", ask, say)


def _ask_of_angle(
    dialect: Dialect, columns: dict[str, str], numbers: dict[str, object], ask: Ask, say: Say
) -> None:
    if "angle" not in columns and numbers.get("rpm") is None and not {"a", "index", "sine"} & set(columns):
        spec = _column(dialect, "angle", f"Which column is the angle? ({NONE}: there is none)", ask, say)
        if spec:
            columns["angle"] = spec
            if _unit(dialect, spec) == COUNT and numbers.get("counts") is None:
                numbers["counts"] = int(_number("Counts in one turn?", ask, say))
        elif _yes("Did it turn at a constant speed? (yes or no)", ask, say):
            numbers["rpm"] = _number("Speed, rpm?", ask, say)
        else:
            _ask_of_signals(dialect, columns, numbers, ask, say)


def _ask_of_signals(
    dialect: Dialect, columns: dict[str, str], numbers: dict[str, object], ask: Ask, say: Say
) -> None:
    """Signals from which an angle follows; none leaves what needs no angle."""
    question = f"Is there a signal of the angle? (tracks: A and B of an encoder, index: a pulse once a turn, sine, or {NONE})"
    way = _until(question, lambda answer: SIGNALS.get(answer.lower()), ", ".join(SIGNALS), ask, say)
    for role, words in way:
        missing = f" ({NONE}: there is none)" if role == "cosine" else ""
        spec = _numbered(dialect, f"Which column is {words}?{missing}", ask, say)
        if spec:
            columns[role] = spec
    if "a" in columns and numbers.get("counts") is None:
        numbers["counts"] = int(_number("Counts in one turn, four for each line?", ask, say))
    if {"index", "sine"} & set(columns):
        numbers["periods"] = max(1, round(_number("Pulses or periods in one turn?", ask, say)))


def _listed(dialect: Dialect) -> Iterator[str]:
    """The columns, a line each."""
    yield (
        f"{dialect.columns} column{'' if dialect.columns == 1 else 's'}, from line {dialect.skip + 1} on"
        if dialect.delimiter
        else f"{dialect.columns} columns"
    )
    for at in range(dialect.columns):
        yield f"  {dialect.called(at)}"


FITS = {"time": (TIME,), "torque": (TORQUE, VOLTAGE, RATIO), "angle": (ANGLE, COUNT)}
UNITS_ASKED = {
    "time": "s, ms or µs",
    "torque": "V, mV, mV/V, Nm or mNm",
    "angle": "deg, rad, turns or counts",
}


def _unit(dialect: Dialect, spec: str) -> str | None:
    """What the unit of a chosen column is of."""
    number, _, text = spec.partition(":")
    unit = unit_of(text) if text else dialect.units[int(number) - 1]
    return None if unit is None else unit.of


def _column(dialect: Dialect, role: str, question: str, ask: Ask, say: Say) -> str:
    """A column as `NUMBER` or `NUMBER:UNIT`; empty where a person says that there is none."""
    spec = _numbered(dialect, question, ask, say)
    if not spec or (_unit(dialect, spec) in FITS[role]) or (role == "time" and dialect.stamps[int(spec) - 1]):
        return spec
    unit = _until(
        f"In which unit? ({UNITS_ASKED[role]})",
        lambda answer: answer if (found := unit_of(answer)) is not None and found.of in FITS[role] else None,
        UNITS_ASKED[role],
        ask,
        say,
    )
    return f"{spec}:{unit}"


def _numbered(dialect: Dialect, question: str, ask: Ask, say: Say) -> str:
    """The number of a column that is there; empty where a person says that there is none."""
    none_fits = NONE in question

    def understood(answer: str) -> str | None:
        if none_fits and answer.lower() == NONE:
            return ""
        names = [name.lower() for name in dialect.names]
        if answer and answer.lower() in names and names.count(answer.lower()) == 1:
            return str(names.index(answer.lower()) + 1)
        if answer.isdecimal() and 1 <= int(answer) <= dialect.columns:
            return answer
        return None

    allowed = f"a number from 1 to {dialect.columns}" + (f", or {NONE}" if none_fits else "")
    return _until(question, understood, allowed, ask, say)


def _number(question: str, ask: Ask, say: Say) -> float:
    def understood(answer: str) -> float | None:
        try:
            value = float(answer.replace(",", "."))
        except ValueError:
            return None
        return (
            value if 0 < abs(value) < float("inf") and (value > 0 or question.startswith("Factor")) else None
        )

    return _until(question, understood, "a number, such as 4 or 0.25", ask, say)


def _yes(question: str, ask: Ask, say: Say) -> bool:
    words = {"y": True, "yes": True, "n": False, "no": False}
    return _until(question, lambda answer: words.get(answer.lower()), "yes or no", ask, say)


def _until(question: str, understood: Callable[[str], T | None], allowed: str, ask: Ask, say: Say) -> T:
    for _ in range(TRIES_MAX):
        found = understood(ask(question).strip())
        if found is not None:
            return found
        say(f"Not understood; allowed: {allowed}.")
    raise ConfigError(
        f"{question} was not answered in {TRIES_MAX} tries; give it as an option: nightturn capture --help"
    )
