"""What `check` says of a release: what a night that is mounted for one now would lack; no file is changed."""

from collections.abc import Sequence
from pathlib import Path

from nightturn.bench.release import lacks_by
from nightturn.calibration.reference_checks import checks_of, parse_checks
from nightturn.cli.calibration_text import Calibrated
from nightturn.errors import CalibrationError
from nightturn.fixture.stream import RunSettings
from nightturn.model.cards import MountCard
from nightturn.model.purposes import RELEASE
from nightturn.settings.load import data_root, load_variant
from nightturn.settings.rig import Rig
from nightturn.settings.validate import fixture_named


def release_lacks(
    bench: Path, rig: Rig, fixture: str, variant: str, calibrated: Calibrated, now_ns: int
) -> tuple[str, ...]:
    """A sentence for each thing, as far as it can be known before the night."""
    if calibrated.record is None:
        return ("it has no calibration that can be used",)
    path = data_root(bench, rig) / checks_of(fixture)
    try:
        checks = parse_checks(path.read_text(encoding="utf-8"), where=str(path)) if path.is_file() else ()
    except (CalibrationError, UnicodeDecodeError, OSError) as error:
        return (str(error),)
    card = MountCard(unit="", variant=variant, operator="", mounted_utc="", purpose=RELEASE)
    run = RunSettings(
        fixture_named(rig, fixture, str(bench)),
        load_variant(bench.parent, variant),
        calibrated.record,
        card,
        reference_check=checks[-1] if checks else None,
    )
    return lacks_by(run, now_ns)


def release_text(lacks: Sequence[str]) -> str:
    """The same in a row."""
    if lacks:
        return f"not now, a night is engineering: {'; '.join(lacks)}"
    return "possible by `mount --purpose release`, where cycles show a steady temperature"
