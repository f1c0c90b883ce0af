"""Which stretch of which run is exported, by whose clocks and under which calibration."""

import warnings
from dataclasses import dataclass
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.replay.when import moment_of
from nightturn.storage.manifest import Manifest
from nightturn.storage.reader import Run, RunWarning
from nightturn.storage.runs import RunSummary
from nightturn.storage.scales import Calibration
from nightturn.storage.zones import local_text


@dataclass(frozen=True, slots=True)
class Stretch:
    """Samples with start <= time < stop, ns since 1970 UTC as corrected; by so many ns a correction moves the recorded times.

    Attributes:
        run: the run; summary: as it is listed; manifest: what it was recorded with.
        whole: whether nobody asked for less than the run.
        calibration: which record turns counts into N·m: "current" or "recorded".
        remarks: what is not as it should be, sentences: raw chunks that are absent.
    """

    run: Run
    summary: RunSummary
    manifest: Manifest
    start_ns: int
    stop_ns: int
    by_ns: int
    whole: bool
    calibration: Calibration
    remarks: tuple[str, ...]

    @property
    def zone(self) -> str:
        """By whose clocks people read its times: an IANA name."""
        return self.summary.timezone

    def local(self, ts: int) -> str:
        """A moment by those clocks, with their offset."""
        return local_text(ts, self.zone)


def stretch_of(
    root: Path, summary: RunSummary, begin: str, end: str, calibration: Calibration = "current"
) -> Stretch:
    """The stretch of a run from one time to another, as `--at` of replay reads them; empty texts are its ends.

    Raises:
        ConfigError: no time, outside the run, or one that the run saw twice.
        StorageError: nothing of it is sealed, or its raw samples were cleared.
    """
    run = Run(root, summary.fixture, summary.run)
    manifest, span = run.manifest, run.span
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", RunWarning)
        run.check_samples()
    if manifest is None or span is None:
        raise StorageError(
            f"run {summary.run} of {summary.fixture} has no samples: nothing of it is sealed yet, or nothing was recorded"
        )
    mark = run.redated
    start_ns = moment_of(begin, span, summary.timezone, "--from") if begin else span[0]
    stop_ns = moment_of(end, span, summary.timezone, "--until") if end else span[1] + 1
    if start_ns >= stop_ns:
        raise StorageError(f"--until {end} is not behind --from {begin or 'the begin of the run'}")
    return Stretch(
        run=run,
        summary=summary,
        manifest=manifest,
        start_ns=start_ns,
        stop_ns=stop_ns,
        by_ns=mark.by_ns if mark is not None else 0,
        whole=not begin and not end,
        calibration=calibration,
        remarks=tuple(str(each.message) for each in caught),
    )
