"""Before a night: what keeps its verdict from being a release, and the approval of a variant in its file."""

import datetime as dt
import os
from pathlib import Path

import msgspec

from nightturn.bench.runs import calibration_in_force, reference_check_in_use
from nightturn.calibration.reference_checks import ReferenceCheck
from nightturn.errors import CalibrationError, StorageError
from nightturn.estimation.purpose import NOT_ASKED
from nightturn.fixture.release import basis_of
from nightturn.fixture.stream import RunSettings
from nightturn.model.cards import MountCard
from nightturn.model.clocks import NS_PER_S
from nightturn.model.purposes import RELEASE
from nightturn.settings.approval import approved_text
from nightturn.settings.load import load_variant, variant_path
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.variant import Variant


def lacks_now(
    root: Path, fixture: FixtureSettings, variant: Variant, card: MountCard, utc_ns: int
) -> tuple[str, ...]:
    """What a run that begins now lacks to release its unit, a sentence each; the temperature of its cycles is not known yet."""
    if card.purpose != RELEASE:
        return (NOT_ASKED,)
    try:
        calibration = calibration_in_force(root, fixture, utc_ns)
    except CalibrationError as error:
        return (str(error),)
    text = reference_check_in_use(root, fixture)
    check = msgspec.json.decode(text, type=ReferenceCheck) if text else None
    return lacks_by(RunSettings(fixture, variant, calibration, card, reference_check=check), utc_ns)


def lacks_by(run: RunSettings, utc_ns: int) -> tuple[str, ...]:
    """The same by these settings."""
    basis = basis_of(run)
    return (*basis.lacks, *(said for until_ts, said in basis.ends if utc_ns > until_ts))


def approve_variant(folder: Path, variant: Variant, by: str, utc_ns: int) -> Variant:
    """Write into the variant's file that this person approves it as it is; gives the variant with that.

    Raises:
        StorageError: the file cannot be written.
    """
    path = variant_path(folder, variant.name)
    on = dt.datetime.fromtimestamp(utc_ns // NS_PER_S, dt.UTC).date().isoformat()
    beside = path.with_suffix(".new")
    try:
        text = approved_text(path.read_text(encoding="utf-8"), variant, by=by, on=on)
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise StorageError(f"{path} cannot be written: {error.strerror or error}") from error
    return load_variant(folder, variant.name)
