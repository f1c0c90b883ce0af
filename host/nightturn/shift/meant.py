"""Which run, moment, cycle and place on the turn a line of the logbook is of."""

from pathlib import Path

import msgspec

from nightturn.errors import ConfigError, RunNotFoundError
from nightturn.logbook.entries import angle_problem
from nightturn.model.clocks import NS_PER_S
from nightturn.replay.when import moment_of
from nightturn.storage.manifest import RUNNING
from nightturn.storage.reader import Run
from nightturn.storage.runs import RunSummary, found_runs, list_runs
from nightturn.storage.unit_runs import runs_of_unit


class Asked(msgspec.Struct, frozen=True, kw_only=True):
    """What a person gave: empty, or None, where nothing was given."""

    fixture: str = ""
    unit: str = ""
    run: str = ""
    at: str = ""
    cycle_no: int | None = None
    angle_deg: float | None = None

    @property
    def of_a_run(self) -> bool:
        """Whether it names a place within a run."""
        return bool(self.at) or self.cycle_no is not None or self.angle_deg is not None


class Meant(msgspec.Struct, frozen=True, kw_only=True):
    """What it comes to; `at_ts` as the run recorded it, and `timezone` that of the run."""

    unit: str = ""
    fixture: str = ""
    run: str = ""
    at_ts: int | None = None
    cycle_no: int | None = None
    angle_deg: float | None = None
    timezone: str = "UTC"


def meant_by(root: Path, asked: Asked, now_ns: int) -> Meant:
    """The run that is asked for: by its id, else the newest of the unit or fixture, else of the only fixture; none where only the bench is meant.

    Raises:
        ConfigError: a time, cycle or angle that the run does not have, or that names no run.
        RunNotFoundError: no such run, unit or fixture; names those that there are.
    """
    summary = _summary(root, asked)
    if summary is None:
        return Meant()
    run = Run(root, summary.fixture, summary.run)
    at_ts = None
    if asked.at:
        mark = run.redated
        by_ns = mark.by_ns if mark is not None else 0
        at_ts = moment_of(asked.at, _span(run, summary, now_ns), summary.timezone, "--at") - by_ns
    if asked.cycle_no is not None:
        _check_cycle(run, asked.cycle_no)
    if asked.angle_deg is not None and (problem := angle_problem(asked.angle_deg)):
        raise ConfigError(f"{asked.angle_deg} {problem}", where="--angle", allowed="0 to below 360, degrees")
    return Meant(
        unit=summary.unit,
        fixture=summary.fixture,
        run=summary.run,
        at_ts=at_ts,
        cycle_no=asked.cycle_no,
        angle_deg=asked.angle_deg,
        timezone=summary.timezone,
    )


def _summary(root: Path, asked: Asked) -> RunSummary | None:
    if asked.run:
        found = [
            each
            for each in found_runs(root, asked.run)
            if asked.fixture in {"", each.fixture} and asked.unit in {"", each.unit}
        ]
        return _one(found, f"run {asked.run} is not of that fixture and unit", asked)
    if asked.unit:
        of_unit = [each for each in runs_of_unit(root, asked.unit) if each.unit == asked.unit]
        there = [each for each in of_unit if asked.fixture in {"", each.fixture}]
        return _one(there[-1:], f"unit {asked.unit} was never on {asked.fixture}", asked)
    runs = list_runs(root)
    if asked.fixture:
        there = [each for each in runs if each.fixture == asked.fixture]
        known = ", ".join(sorted({each.fixture for each in runs})) or "none"
        return _one(there[:1], f"{root} has no run of {asked.fixture}; there are runs of {known}", asked)
    if not asked.of_a_run:
        return None
    return _one(runs if len(runs) == 1 else [], "a time, cycle or angle is of a run", asked)


def _one(found: list[RunSummary], problem: str, asked: Asked) -> RunSummary:
    if len(found) == 1:
        return found[0]
    if asked.run or asked.unit or asked.fixture:
        raise RunNotFoundError(problem)
    raise ConfigError(problem, where="--at, --cycle, --angle", allowed="with --fixture, --unit or --run")


def _span(run: Run, summary: RunSummary, now_ns: int) -> tuple[int, int]:
    """From the run's begin to its end; to now while it is recorded, to its last sample where it broke off."""
    begin = round(summary.started_utc.timestamp()) * NS_PER_S
    manifest, mark = run.manifest, run.redated
    end = now_ns
    if manifest is not None and manifest.ended_utc_ns is not None:
        end = manifest.ended_utc_ns + (mark.by_ns if mark is not None else 0)
    elif summary.state != RUNNING and (sealed := run.span) is not None:
        end = sealed[1]
    return begin, max(begin + NS_PER_S, end)


def _check_cycle(run: Run, cycle_no: int) -> None:
    """A cycle that is not recorded yet may be under way, so only what lies beyond the next one is refused."""
    numbers = run.cycles(["cycle_no"])["cycle_no"].astype(int)
    last = int(numbers.max()) if len(numbers) else 0
    if not 1 <= cycle_no <= last + 1:
        there = f"1 to {last}, and {last + 1} where it is under way" if last else "1 where it is under way"
        raise ConfigError(f"the run has no cycle {cycle_no}", where="--cycle", allowed=there)
