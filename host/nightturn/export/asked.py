"""What a person asks to be exported, and as what."""

from pathlib import Path
from typing import cast

import msgspec

from nightturn.errors import ConfigError
from nightturn.export.packed import pack
from nightturn.export.stretch import stretch_of
from nightturn.export.written import WRITERS, Exported, export
from nightturn.report.chosen import of_unit
from nightturn.settings.mistakes import did_you_mean
from nightturn.storage.runs import RunSummary, found_runs, list_runs, open_run
from nightturn.storage.scales import Calibration, check_calibration

PACK = "pack"
KINDS = (*WRITERS, PACK)


class Made(msgspec.Struct, frozen=True, kw_only=True):
    """What was written, as what; of a pack the SHA-256 of its list of checksums."""

    kind: str
    exported: Exported
    sums_sha256: str = ""


def exported_as(
    root: Path,
    run: str,
    *,
    kind: str,
    unit: str,
    fixture: str,
    begin: str,
    end: str,
    calibration: str,
    folder: Path,
    overwrite: bool,
) -> Made:
    """Write what is asked for.

    Raises:
        ConfigError: no such kind; times that are none of the run; a file that is there; a library that is not installed.
        RunNotFoundError: no such run.
        StorageError: no sample in the stretch, no such calibration, or a file cannot be read or written.
    """
    if kind not in KINDS:
        raise ConfigError(
            f"no kind {kind!r}{did_you_mean(kind, KINDS)}", where="--as", allowed=", ".join(KINDS)
        )
    check_calibration(calibration)
    runs = list_runs(root)
    summary = _summary(root, runs, run, unit, fixture)
    stretch = stretch_of(root, summary, begin, end, cast("Calibration", calibration))
    if kind == PACK:
        exported, digest = pack(stretch, runs, root, folder, overwrite=overwrite)
        return Made(kind=kind, exported=exported, sums_sha256=digest)
    return Made(kind=kind, exported=export(stretch, kind, folder, overwrite=overwrite))


def _summary(root: Path, runs: list[RunSummary], run: str, unit: str, fixture: str) -> RunSummary:
    """The run that is meant."""
    if unit and run == "latest":
        return of_unit([each for each in runs if fixture in {"", each.fixture}], unit)
    opened = open_run(root, fixture or None, run) if fixture or run == "latest" else None
    if opened is None:
        return found_runs(root, run)[0]
    return next(each for each in runs if (each.fixture, each.run) == (opened.fixture, opened.run))
