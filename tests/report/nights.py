"""Nights at the ends of what a night may be, made of a usual one."""

import dataclasses

import msgspec
import numpy as np
import pandas as pd

from nightturn.report.night import Happened, Missing, ReportNight

CYCLE_NS = 190_000_000_000
LONG = "Q" * 500
FOREIGN = "\u05d9\u05d7\u05d9\u05d3\u05d4-7 \u0648\u062d\u062f\u0629 \u5358\u4f53-7"
ARABIC = "\u0645\u0647\u0646\u062f\u0633 \u0627\u0644\u0644\u064a\u0644 "
CJK = "\u591c\u52e4\u62c5\u5f53 "


def of_cycles(usual: ReportNight, count: int) -> ReportNight:
    """The same night with so many cycles, each a copy of its first complete one."""
    first = usual.cycles[usual.cycles["status"] == "ok"].iloc[[0]]
    cycles = pd.concat([first] * count, ignore_index=True) if count else usual.cycles.iloc[:0]
    curves = usual.curves[usual.curves["cycle_no"] == int(first["cycle_no"].iloc[0])]
    for name in ("ts_start", "ts_end"):
        cycles[name] = cycles[name] + pd.to_timedelta(np.arange(count) * CYCLE_NS, unit="ns")
    cycles["cycle_no"] = np.arange(1, count + 1)
    many = [curves.assign(cycle_no=number) for number in range(1, count + 1)]
    return dataclasses.replace(
        usual, cycles=cycles, curves=pd.concat(many) if many else usual.curves.iloc[:0]
    )


def without_cycles(usual: ReportNight) -> ReportNight:
    """A run in which nothing happened."""
    return dataclasses.replace(of_cycles(usual, 0), events=(), gaps=(), strokes=usual.strokes.iloc[:0])


def of_gaps(usual: ReportNight) -> ReportNight:
    """A night without a sample."""
    begin, end = usual.over
    summary = dataclasses.replace(usual.summary, night_verdict=None)
    return dataclasses.replace(
        of_cycles(usual, 0), gaps=(Missing("link", begin, end, 1000),), summary=summary
    )


def of_events(usual: ReportNight, count: int) -> ReportNight:
    """A night in which the line was lost so many times."""
    begin = usual.over[0]
    events = (Happened(begin + at * CYCLE_NS, "line_lost", "the line was lost") for at in range(count))
    return dataclasses.replace(usual, events=tuple(events))


def named(usual: ReportNight, unit: str, operator: str) -> ReportNight:
    """The same night of another unit, mounted by somebody else."""
    card = msgspec.structs.replace(usual.settings.card, unit=unit, operator=operator)
    return dataclasses.replace(usual, settings=msgspec.structs.replace(usual.settings, card=card))
