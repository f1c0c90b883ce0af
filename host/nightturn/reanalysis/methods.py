"""The methods by which figures are made again, and what of them a result depends on."""

from datetime import UTC, datetime

import msgspec

from nightturn.calibration.records import CalibrationRecord, in_force, parse
from nightturn.errors import ConfigError
from nightturn.estimation.figures import FIGURES
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage.manifest import Manifest
from nightturn.world import ReadFiles


class Method(msgspec.Struct, frozen=True):
    """One way to make figures again.

    Attributes:
        name: the folder of its results.
        line: what it does, for a person.
        current: with the calibration that holds now for the time of the run, corrections included; else the recorded one.
    """

    name: str
    line: str
    current: bool


STANDARD, RECALIBRATED = "standard", "recalibrated"
METHODS: dict[str, Method] = {
    method.name: method
    for method in (
        Method(
            STANDARD, "this version's method of every figure, with the calibration as recorded", current=False
        ),
        Method(
            RECALIBRATED,
            "the same with the transducer's record that holds now for that time, corrections included",
            current=True,
        ),
    )
}


def method_of(name: str) -> Method:
    """The method of that name.

    Raises:
        ConfigError: there is none.
    """
    if name not in METHODS:
        known = ", ".join(METHODS)
        raise ConfigError(
            f"no method {name!r}{did_you_mean(name, list(METHODS))}", where="--method", allowed=known
        )
    return METHODS[name]


def versions() -> str:
    """The method version of every figure, in the order of their table."""
    return ", ".join(f"{spec.name} {spec.method}" for spec in FIGURES.values())


def calibration_for(
    files: ReadFiles, manifest: Manifest, recorded: CalibrationRecord, method: Method
) -> CalibrationRecord:
    """The record that a method applies to a run: without a file of records the recorded one is the current one.

    Raises:
        CalibrationError: the file is contradictory, or no record of it holds for that time.
    """
    if not method.current:
        return recorded
    path = f"calibrations/{recorded.transducer}.jsonl"
    try:
        text = files.read(path).decode()
    except FileNotFoundError:
        return recorded
    at_utc = datetime.fromtimestamp(manifest.started_utc_ns // 1_000_000_000, UTC)
    return in_force(parse(text, where=path), at_utc)
