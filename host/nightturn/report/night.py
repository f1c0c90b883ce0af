"""What is known of the night that a report is of, read once: its run, cycles, curves, events, and the life of its unit up to it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from functools import partial

import numpy as np
import pandas as pd

from nightturn.errors import RunNotFoundError, StorageError
from nightturn.estimation.quantiles import coverage_factor
from nightturn.fixture.stream import RunSettings
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import CURVES, STROKES
from nightturn.model.tiles import Float64s, Int64s
from nightturn.storage.manifest import ENDED, Manifest
from nightturn.storage.reader import Run, schema_of_dataset
from nightturn.storage.reanalysed import MADE_AGAIN, result_verdict
from nightturn.storage.runs import RunSummary
from nightturn.storage.zones import zone_of
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.account import Account, account, variant_of
from nightturn.unit_history.causes import stored_rows
from nightturn.unit_history.life import COLUMNS, life
from nightturn.unit_history.nights import Night, nights_of

OF_A_CYCLE = ("cycle_no", "ts_start", "ts_end", "status", "direction")
"""Columns of `cycles` beside those of its figures."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One event: when, ns since 1970 UTC, its kind and its sentence."""

    ts: int
    kind: str
    detail: str


@dataclass(frozen=True, slots=True)
class Missing:
    """Samples that are missing: why, from when to when, ns since 1970 UTC, and how many."""

    cause: str
    from_ts: int
    to_ts: int
    samples: int

    @property
    def seconds(self) -> float:
        """How long."""
        return max(self.to_ts - self.from_ts, 0) / NS_PER_S


@dataclass(frozen=True, slots=True)
class ReportNight:
    """One run and what lies beside it.

    Attributes:
        run: the run; summary: as it is listed; manifest and settings: as recorded.
        zone: whose clocks the report shows.
        cycles: one row each, in order of time; curves: torque over the turn, by cycle and leg.
        events, gaps, strokes: as recorded.
        life: the account of the unit up to this run; None where its figures cannot be read or nobody asked for it.
        mounting_means: each figure's mean by mounting of the unit, on this fixture and measured in the same way, oldest first.
        unread: what could not be read, with why.
        method: of the re-analysis whose cycles, curves and verdict these are; empty for those that were recorded.
    """

    run: Run
    summary: RunSummary
    manifest: Manifest
    settings: RunSettings
    zone: tzinfo
    cycles: pd.DataFrame
    curves: pd.DataFrame
    events: tuple[Happened, ...]
    gaps: tuple[Missing, ...]
    strokes: pd.DataFrame
    life: Account | None
    mounting_means: Mapping[str, Sequence[float]]
    unread: tuple[str, ...]
    method: str = ""

    @property
    def unit(self) -> str:
        """The serial of the unit under test."""
        return self.settings.card.unit

    @property
    def ended(self) -> bool:
        """Whether the run has come to its end."""
        return self.manifest.state == ENDED

    @property
    def verdict(self) -> NightVerdict | None:
        """What all cycles say together."""
        return self.summary.night_verdict

    @property
    def over(self) -> tuple[int, int]:
        """First and last moment of the run, ns since 1970 UTC."""
        begin = round(self.summary.started_utc.timestamp()) * NS_PER_S
        ends = [begin + NS_PER_S]
        ends += [
            *self.ended_ts.tolist(),
            *(each.ts for each in self.events),
            *(each.to_ts for each in self.gaps),
        ]
        return begin, max(ends)

    @property
    def ended_ts(self) -> Int64s:
        """When each cycle ended (cycles,), ns since 1970 UTC."""
        return np.asarray(self.cycles["ts_end"].astype("int64"), np.int64)

    def values(self, figure: str) -> Float64s:
        """A figure of each cycle (cycles,), not a number where it was not judged."""
        good = (self.cycles[f"{figure}_status"] == "ok").to_numpy()
        return np.where(good, self.cycles[figure].to_numpy(np.float64), np.nan)

    def halves(self, figure: str) -> Float64s:
        """Half of the 95 % interval of a figure of each cycle (cycles,), not a number where it is not known."""
        u = self.cycles[f"{figure}_u"].to_numpy(np.float64)
        nu = self.cycles[f"{figure}_nu"].to_numpy(np.float64)
        known = np.isfinite(u) & np.isfinite(nu)
        half = np.full(len(u), np.nan)
        half[known] = [coverage_factor(float(each)) for each in nu[known]]
        return np.asarray(half * u, np.float64)


def night_of(run: Run, summary: RunSummary, method: str = "", *, with_life: bool = True) -> ReportNight:
    """Everything that a report of a run says is made of this.

    Args:
        run: the run.
        summary: as it is listed.
        method: figures as this method of `reanalyse` made them, and its verdict; empty for those that were recorded.
        with_life: work out the courses of the unit, which takes longest; a comparison has no use for them.

    Raises:
        RunNotFoundError: the run has no record of what it is, so nothing can be said of it.
        StorageError: there is no such result, or it was made by a version that kept no verdict.
    """
    manifest = _manifest(run)
    if method:
        summary = replace(summary, night_verdict=_verdict_again(run, method))
    unread: list[str] = []
    cycles, curves, events, gaps, strokes = (
        _frame(run, name, unread, method) for name in ("cycles", CURVES, "events", "gaps", STROKES)
    )
    counted = summary.night_verdict.cycles if summary.night_verdict is not None else 0
    if counted > len(cycles):
        unread.append(
            f"{counted} cycles were counted for the verdict and {len(cycles)} are among the files; `nightturn verify` says what is lost"
        )
    settings = RunSettings.of(manifest)
    nights, others = _nights(run, settings.card.unit, unread)
    return ReportNight(
        run=run,
        summary=summary,
        manifest=manifest,
        settings=settings,
        zone=zone_of(summary.timezone) or UTC,
        cycles=cycles.sort_values("ts_start", kind="stable", ignore_index=True),
        curves=curves,
        events=_happened(events),
        gaps=_missing(gaps),
        strokes=strokes,
        life=_life(run, settings.card.unit, nights, others) if nights and with_life else None,
        mounting_means=_mounting_means(nights),
        unread=(*summary.unreadable, *dict.fromkeys(unread)),
        method=method,
    )


def _verdict_again(run: Run, method: str) -> NightVerdict:
    found = result_verdict(run.stored, method, run.fixture, run.run)
    if found is None:
        raise StorageError(
            f"run {run.run}: the result {method} keeps no verdict, because an older version made it; delete its folder and "
            f"run `nightturn recompute` with --method {method}"
        )
    return found


def glimpse_of(run: Run, summary: RunSummary, figures: Sequence[str]) -> ReportNight:
    """The same with what a first sentence and a line of the night need: some figures' columns and the gaps; no life, curves, events.

    Raises:
        RunNotFoundError: as `night_of`.
    """
    manifest = _manifest(run)
    unread: list[str] = []
    names = [f"{figure}{part}" for figure in figures for part in ("", "_u", "_nu", "_status")]
    cycles = _frame(run, "cycles", unread, columns=[*OF_A_CYCLE, *names])
    nothing = schema_of_dataset("events").empty_table().to_pandas()
    return ReportNight(
        run=run,
        summary=summary,
        manifest=manifest,
        settings=RunSettings.of(manifest),
        zone=zone_of(summary.timezone) or UTC,
        cycles=cycles.sort_values("ts_start", kind="stable", ignore_index=True),
        curves=nothing,
        events=(),
        gaps=_missing(_frame(run, "gaps", unread)),
        strokes=nothing,
        life=None,
        mounting_means={},
        unread=(*summary.unreadable, *dict.fromkeys(unread)),
    )


def _manifest(run: Run) -> Manifest:
    manifest = run.manifest
    if manifest is None or not manifest.rig or not manifest.card:
        raise RunNotFoundError(
            f"run {run.run} of {run.fixture} has no record of its settings: nothing of it is sealed yet, or its file is lost; "
            "`nightturn verify` says which"
        )
    return manifest


def _happened(events: pd.DataFrame) -> tuple[Happened, ...]:
    ts = events["ts"].astype("int64").tolist()
    rows = zip(ts, events["kind"].tolist(), events["detail"].tolist(), strict=True)
    return tuple(sorted((Happened(*row) for row in rows), key=lambda each: each.ts))


def _missing(gaps: pd.DataFrame) -> tuple[Missing, ...]:
    begin, end = (gaps[name].astype("int64").tolist() for name in ("ts_from", "ts_to"))
    rows = zip(gaps["cause"].tolist(), begin, end, gaps["n_missing"].tolist(), strict=True)
    return tuple(sorted((Missing(*row) for row in rows), key=lambda each: each.from_ts))


def _frame(
    run: Run, dataset: str, unread: list[str], method: str = "", columns: Sequence[str] | None = None
) -> pd.DataFrame:
    if method and dataset in MADE_AGAIN:
        return run.frame(dataset, reanalysis=method)
    try:
        return run.frame(dataset, columns)
    except StorageError as error:
        unread.append(str(error))
        return schema_of_dataset(dataset).empty_table().to_pandas()


def _nights(run: Run, unit: str, unread: list[str]) -> tuple[list[Night], tuple[str, ...]]:
    """The unit's nights up to this run: what was measured later is no part of what this morning could know."""
    root = run.stored.local
    if root is None:
        unread.append("the unit's earlier nights: they are looked up in a data root on a disk only")
        return [], ()
    try:
        nights, others = nights_of(root, unit, COLUMNS)
    except (RunNotFoundError, StorageError) as error:
        unread.append(str(error))
        return [], ()
    runs = [night.run for night in nights]
    return (nights[: runs.index(run.run) + 1], others) if run.run in runs else ([], others)


def _life(run: Run, unit: str, nights: Sequence[Night], others: Sequence[str]) -> Account:
    root = run.stored.local
    assert root is not None
    found = life(unit, nights, others)
    return account(found, partial(stored_rows, root), variant=variant_of(root, found))


def _mounting_means(nights: Sequence[Night]) -> dict[str, list[float]]:
    """By figure; of the mountings that differ from the newest in nothing but the mounting."""
    if not nights:
        return {}
    now = nights[-1].place
    by_mounting: dict[str, list[pd.DataFrame]] = {}
    for night in nights:
        if replace(night.place, mounted_utc=now.mounted_utc, operator=now.operator) == now and len(
            night.cycles
        ):
            by_mounting.setdefault(night.place.mounted_utc, []).append(night.cycles)
    found: dict[str, list[float]] = {}
    for cycles in map(pd.concat, by_mounting.values()):
        for figure in FOLLOWED:
            good = cycles[figure][cycles[f"{figure}_status"] == OK].dropna()
            if len(good):
                found.setdefault(figure, []).append(float(good.mean()))
    return found
