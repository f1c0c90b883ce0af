"""Classes of a standard, by a file that people write from their own copy: which one the readings of a calibration keep."""

from collections.abc import Sequence
from typing import Annotated

import msgspec
from msgspec import Meta

from nightturn.calibration.series import Calibrated
from nightturn.errors import ConfigError
from nightturn.model.quantities import number

CLASSES_SCHEMA = 1
CHECK = "check against your copy"
LIMITS = {
    "linearity_pct": "linearity",
    "hysteresis_pct": "hysteresis",
    "zero_return_pct": "zero_return",
    "repeatability_pct": "repeatability",
    "reproducibility_pct": "reproducibility",
}
"""Of a class, and which finding each is held against."""
Percent = Annotated[float, Meta(gt=0, le=100)]


class Class(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One class: its name and the most that each finding may be, %; what is not given is not looked at."""

    name: Annotated[str, Meta(min_length=1, max_length=32)]
    linearity_pct: Percent | None = None
    hysteresis_pct: Percent | None = None
    zero_return_pct: Percent | None = None
    repeatability_pct: Percent | None = None
    reproducibility_pct: Percent | None = None


class Classes(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The file: `source` is the standard and its edition, `checked_by` who has held the numbers against a copy of it."""

    schema: int = CLASSES_SCHEMA
    source: Annotated[str, Meta(min_length=1)]
    checked_by: str = ""
    classes: Annotated[tuple[Class, ...], Meta(min_length=1, max_length=20)] = msgspec.field(name="class")


def parse_classes(text: str, *, where: str) -> Classes:
    """The file from its TOML.

    Raises:
        ConfigError: it cannot be read so.
    """
    try:
        found = msgspec.toml.decode(text, type=Classes)
    except msgspec.DecodeError as error:
        raise ConfigError(str(error), where=where) from error
    if found.schema != CLASSES_SCHEMA:
        raise ConfigError(f"schema = {found.schema}", where=where, allowed=str(CLASSES_SCHEMA))
    for each in found.classes:
        if all(getattr(each, key) is None for key in LIMITS):
            raise ConfigError(f"class {each.name} limits nothing", where=where, allowed=", ".join(LIMITS))
    return found


def class_text(classes: Classes, found: Calibrated) -> str:
    """The first class of the file that the readings keep, or what speaks against each; always with where its numbers are from."""
    said = []
    kept = ""
    for each in classes.classes:
        against = _against(each, found)
        if not against:
            kept = f"{each.name}, of what was measured"
            break
        said.append(f"not {each.name}: {', '.join(against)}")
    judged = kept or "none of the file"
    by = (
        f"checked by {classes.checked_by}" if classes.checked_by.strip() else "nobody has checked the numbers"
    )
    return "; ".join([judged, *said, f"limits of {classes.source}, {by}: {CHECK}"])


def _against(wanted: Class, found: Calibrated) -> Sequence[str]:
    """What keeps readings from a class, in words."""
    said = []
    for key, name in LIMITS.items():
        limit, value = getattr(wanted, key), getattr(found, name)
        words = name.replace("_", " ")
        if limit is None:
            continue
        if value is None:
            said.append(f"{words} was not measured")
        elif 100 * value > limit:
            said.append(f"{words} {number(100 * value, 2)} % above {number(limit)} %")
    return said
