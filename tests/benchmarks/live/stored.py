"""What a load has left on the disk: samples, gaps by cause, lapsed leases, stops, read from the files as anybody reads them."""

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from nightturn.storage.reader import Run
from nightturn.storage.runs import known_runs, list_runs

LAPSED = "lease_lapsed"
STOPS = frozenset({"motion_stopped", "motion_locked", "motion_paused"})
ROUTINE = "info"


@dataclass(slots=True)
class Stored:
    """Of all runs below a data root.

    Attributes:
        lost: samples that are missing, by the cause of their gap.
        lapsed: leases that lapsed on their device.
        stops: how often motion ended before the load did, by reason.
        told: warnings and alarms before the load's end, by kind.
        unsealed: segments that no chunk was made of, beyond the one that each fixture has open.
    """

    samples: int = 0
    chunks: int = 0
    bytes: int = 0
    lost: Counter[str] = field(default_factory=Counter)
    lapsed: int = 0
    stops: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    unsealed: int = 0


def stored(root: Path, until_utc_ns: int) -> Stored:
    """Everything below the root; events up to this time only, because the end itself stops the shafts."""
    found = Stored()
    for summary in list_runs(root):
        found.samples += summary.samples
        found.chunks += summary.chunks
        found.bytes += summary.bytes
    for fixture, runs in known_runs(root).items():
        for name in runs:
            _add(found, Run(root, fixture, name), until_utc_ns)
        segments = len(list((root / "journal" / fixture).glob("*.ntj")))
        found.unsealed += max(0, segments - 1)
    return found


def _add(found: Stored, run: Run, until_utc_ns: int) -> None:
    for cause, missing in run.gaps()[["cause", "n_missing"]].itertuples(index=False):
        found.lost[str(cause)] += int(missing)
    events = run.events()
    before = events[events["ts"] < pd.Timestamp(until_utc_ns, tz="UTC")]
    for kind, severity, detail in before[["kind", "severity", "detail"]].itertuples(index=False):
        found.lapsed += kind == LAPSED
        if kind in STOPS:
            found.stops[str(detail)] += 1
        if severity != ROUTINE:
            found.told[str(kind)] += 1
