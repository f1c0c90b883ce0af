"""Raw torque and angle around each event that matters: a limit, a device or line lost, or a stop of a shaft that was turning."""

from collections.abc import Iterator, Sequence
from contextlib import suppress

import numpy as np
import pandas as pd

from nightturn.errors import NightturnError
from nightturn.model.clocks import NS_PER_S
from nightturn.model.facts import HOST_CLOSES
from nightturn.model.tiles import Float64s, Int64s
from nightturn.pictures.moment import draw_moment
from nightturn.pictures.picture import Picture
from nightturn.report.night import Happened, ReportNight

EVENTS_MAX = 6
LOOKED_AT_MAX = 24
"""Stops whose samples are read to see whether the shaft turned."""
AROUND_S = 5
SAID_MAX = 2
"""Of events that are in one picture."""
TURNED_DEG = 0.5
"""Travel around an event from which on the shaft turned."""
POINTS_MAX = 700
"""Of a line around an event, each with the smallest and the largest sample of its part."""
ALWAYS = {
    "limit_exceeded": "protective limit",
    "device_restarted": "device restarted",
    "overload": "overload",
    "line_lost": "line lost",
    "limit_warning": "limit passed",
    "adc_saturated": "end of the range",
    "lease_lapsed": "lease lapsed",
}
"""Kinds of events that matter whatever the shaft did, with what they are called over the picture."""
WHERE_TURNING = {"guard_opened": "guard opened", "motion_stopped": "motion stopped"}

Samples = tuple[Int64s, Float64s, Float64s]


def moments(night: ReportNight, width_px: float, missing: list[tuple[str, str]]) -> Iterator[Picture]:
    """The pictures of events, of those within some seconds one; what is left out is said in `missing`."""
    found = _together(night)
    place = stood = 0
    left = len(found)
    for rows in found[:LOOKED_AT_MAX]:
        at = rows[0].ts
        over = (at - AROUND_S * NS_PER_S, at + AROUND_S * NS_PER_S)
        samples = _samples(night, over)
        left -= 1
        if all(row.kind in WHERE_TURNING for row in rows) and not _turned(samples):
            stood += 1
            continue
        yield draw_moment(
            *samples, (at, _words(rows)), over, night.zone, name=f"event-{place}", width_px=width_px
        )
        place += 1
        if place == EVENTS_MAX:
            break
    if stood:
        text = f"Not drawn: {_count(stood)} at which the shaft stood still."
        missing.append(("event", text))
    if left:
        missing.append(
            ("event", f"{left} of {_count(len(found))} are not drawn; `nightturn replay --at` shows them.")
        )


def _count(events: int) -> str:
    return f"{events} event{'' if events == 1 else 's'}"


def _together(night: ReportNight) -> list[list[Happened]]:
    """Events that matter, each with those that follow it within the seconds that are shown."""
    found: list[list[Happened]] = []
    for each in night.events:
        if (each.kind not in ALWAYS and each.kind not in WHERE_TURNING) or each.detail == HOST_CLOSES:
            continue
        if found and each.ts - found[-1][0].ts <= AROUND_S * NS_PER_S:
            found[-1].append(each)
        else:
            found.append([each])
    return found


def _words(rows: Sequence[Happened]) -> str:
    """What happened, each once."""
    said = []
    for row in rows:
        called = {**ALWAYS, **WHERE_TURNING}[row.kind]
        known = not row.detail or row.detail.startswith(called)
        said.append((row.detail or called) if known else f"{called}: {row.detail}")
    kept = list(dict.fromkeys(said))
    more = f"; and {len(kept) - SAID_MAX} more" if len(kept) > SAID_MAX else ""
    return "; ".join(kept[:SAID_MAX]) + more


def _turned(found: Samples) -> bool:
    angle = found[2][np.isfinite(found[2])]
    return bool(len(angle)) and float(np.ptp(angle)) > TURNED_DEG


def _samples(night: ReportNight, over: tuple[int, int]) -> Samples:
    """Torque and angle around a moment, the smallest and largest torque of each part kept."""
    frame = pd.DataFrame()
    with suppress(NightturnError):
        frame = night.run.samples(pd.Timestamp(over[0], tz="UTC"), pd.Timestamp(over[1], tz="UTC"))
    if not len(frame):
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    ts = frame.index.astype("int64").to_numpy()
    torque, angle = frame["torque_nm"].to_numpy(), np.degrees(frame["angle_rad"].to_numpy())
    share = max(len(ts) * 2 // POINTS_MAX, 1)
    edges = np.arange(0, len(ts), share)
    kept = np.unique(
        [
            place
            for begin, part in zip(edges.tolist(), np.split(torque, edges[1:]), strict=True)
            for place in (begin + int(np.argmin(part)), begin + int(np.argmax(part)))
        ]
    )
    step = np.flatnonzero(
        np.diff(ts[kept]) > 3 * share * max(int(np.median(np.diff(ts))) if len(ts) > 1 else 1, 1)
    )
    ts, torque, angle = ts[kept], torque[kept].astype(np.float64), angle[kept].astype(np.float64)
    return (
        np.insert(ts, step + 1, ts[step] + 1),
        np.insert(torque, step + 1, np.nan),
        np.insert(angle, step + 1, np.nan),
    )
