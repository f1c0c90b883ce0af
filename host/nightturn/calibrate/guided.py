"""A calibration with dead weights, asked for one reading after the other; each is in a file before the next is asked.

Three series in both senses: two in position 0, one after turning the transducer by 120°. What was interrupted goes on with the next
reading of the plan, because the file says how far it came.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import ConfigError, StorageError
from nightturn.model.quantities import number, typed

TRIES_MAX = 5
MASSES_MIN, MASSES_MAX = 3, 20
WARM_UP_MIN = 30.0
POSITIONS = ((1, 0.0), (2, 0.0), (3, 120.0))
"""Series and position of the transducer, each loaded in both senses."""
HEAD = "load [kg];reading [{}];series;position [deg]"
UNITS = {"v": "V", "mv": "mV", "mv/v": "mV/V"}
Ask = Callable[[str], str]
Say = Callable[[str], None]
CAUTION = (
    "Caution: hanging masses fall and a lever swings. Nothing and nobody below them, the drive without power, its energy locked off by local "
    "rules; nightturn moves and isolates nothing."
)


@dataclass(frozen=True, slots=True)
class Step:
    """One reading that is asked for: the mass with the sense as its sign, and of which series in which position."""

    mass_kg: float
    series: int
    position_deg: float


def steps(masses_kg: Sequence[float]) -> Iterator[Step]:
    """The plan: without load, up, down, without load, in each sense of each series; each sense is a series of the file."""
    up = sorted(masses_kg)
    for series, position in POSITIONS:
        for sense in (1, -1):
            for mass in (0.0, *up, *reversed(up[:-1]), 0.0):
                yield Step(sense * mass + 0.0, 2 * series - (sense > 0), position)


def ask_readings(path: Path, ask: Ask, say: Say) -> None:
    """Ask until the file has every reading of the plan.

    Raises:
        ConfigError: a question was answered wrongly too often, or the file is of another plan.
        StorageError: the file cannot be written.
    """
    say(CAUTION)
    done = _begun(path)
    if done is None:
        warm = _number("Minutes since the channel was switched on?", ask, say)
        if warm < WARM_UP_MIN:
            raise ConfigError(
                f"{number(warm)} minutes: let it warm up for {number(WARM_UP_MIN)} and ask again"
            )
        unit = _unit(ask, say)
        masses = _masses(ask, say)
        _write(path, [f"# masses {' '.join(typed(each) for each in masses)}", HEAD.format(unit)])
        done = (masses, unit, 0)
    else:
        say(f"{path} has {done[2]} readings; the next one follows")
    masses, unit, count = done
    plan = list(steps(masses))
    before = Step(0.0, 0, 0.0)
    for at, step in enumerate(plan):
        if at >= count:
            value = _number(_question(step, before, unit), ask, say, signed=True)
            _write(path, [f"{typed(step.mass_kg)};{typed(value)};{step.series};{typed(step.position_deg)}"])
        before = step


def _question(step: Step, before: Step, unit: str) -> str:
    sense = "first" if step.series % 2 else "other"
    turned = (
        f"Turn the transducer to {number(step.position_deg)}°. "
        if step.position_deg != before.position_deg
        else ""
    )
    began = f"Series {step.series}, {sense} sense. " if step.series != before.series else ""
    load = f"{number(abs(step.mass_kg))} kg" if step.mass_kg else "No load"
    return f"{turned}{began}{load}, wait 30 s. Reading, {unit}?"


def _begun(path: Path) -> tuple[tuple[float, ...], str, int] | None:
    """Masses, unit and number of readings of a file that was begun; None where there is none."""
    if not path.exists():
        return None
    lines = path.read_text(encoding="utf-8").splitlines()
    try:
        masses = tuple(float(each) for each in lines[0].removeprefix("# masses").split())
        unit = next(each for each in UNITS.values() if lines[1] == HEAD.format(each))
        rows = [tuple(float(each) for each in line.split(";")) for line in lines[2:]]
    except (IndexError, ValueError, StopIteration) as error:
        raise ConfigError(
            f"{path} was not begun by --guided; give another file, or --readings {path}"
        ) from error
    for row, step in zip(rows, steps(masses), strict=False):
        if len(row) != 4 or (row[0], row[2], row[3]) != (step.mass_kg, step.series, step.position_deg):
            raise ConfigError(f"{path} does not follow the plan; give another file, or --readings {path}")
    return masses, unit, len(rows)


def _write(path: Path, lines: Sequence[str]) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            file.write("".join(f"{line}\n" for line in lines))
    except OSError as error:
        raise StorageError(
            f"{path} cannot be written: {error.strerror or error}; give another --guided FILE"
        ) from error


def _unit(ask: Ask, say: Say) -> str:
    for _ in range(TRIES_MAX):
        found = UNITS.get(ask("Unit of the readings? (V, mV or mV/V)").strip().lower())
        if found is not None:
            return found
        say("Not understood; allowed: V, mV or mV/V.")
    raise ConfigError(f"the unit was not answered in {TRIES_MAX} tries; nothing was written")


def _masses(ask: Ask, say: Say) -> tuple[float, ...]:
    for _ in range(TRIES_MAX):
        try:
            found = tuple(
                float(each)
                for each in ask("Masses to hang one after the other, kg? (0.5 1 2)").replace(",", ".").split()
            )
        except ValueError:
            found = ()
        if MASSES_MIN <= len(set(found)) == len(found) <= MASSES_MAX and all(
            0 < each < 1000 for each in found
        ):
            return tuple(sorted(found))
        say(
            f"Not understood; allowed: {MASSES_MIN} to {MASSES_MAX} different masses in kg, parted by blanks."
        )
    raise ConfigError(f"the masses were not answered in {TRIES_MAX} tries; nothing was written")


def _number(question: str, ask: Ask, say: Say, *, signed: bool = False) -> float:
    for _ in range(TRIES_MAX):
        try:
            value = float(ask(question).strip().replace(",", "."))
        except ValueError:
            value = float("nan")
        if abs(value) < float("inf") and (signed or value >= 0):
            return value
        say("Not understood; allowed: a number, such as 12.5.")
    raise ConfigError(
        f"not answered in {TRIES_MAX} tries; what was read is kept, and the same command goes on from there"
    )
