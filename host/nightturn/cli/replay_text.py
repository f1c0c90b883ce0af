"""What a stretch of a tape says, as rows for people."""

from collections.abc import Sequence

from nightturn.model.quantities import fixed
from nightturn.replay.shown_again import Second, Shown
from nightturn.replay.what_if import WhatIf
from nightturn.storage.zones import local_text
from nightturn.trend.series import NEAR

SECONDS_HEAD = ("time", "torque, N·m", "mean", "angle, °", "°C")
ROWS_MAX = 60
"""Rows of the table of seconds: a minute has one for each second, a longer stretch joins neighbours."""


def clock(ts: int, zone: str) -> str:
    """The time of day of a moment."""
    return local_text(ts, zone)[11:19]


def lines(shown: Shown, zone: str) -> list[tuple[str, str]]:
    """What happened, a row each."""
    return [(clock(each.ts, zone), f"{each.what}: {each.text}") for each in shown.lines]


def sensors_title(shown: Shown) -> str:
    """Above the table of what the sensors showed: of how many seconds a row is."""
    step = _seconds_a_row(shown)
    return "sensors" if step == 1 else f"sensors, a row for {step} s: lowest to highest, mean, last angle"


def second_rows(shown: Shown, zone: str) -> list[tuple[str, ...]]:
    """What the sensors showed; no second is left out."""
    step, seconds = _seconds_a_row(shown), shown.seconds
    return [_row(seconds[at : at + step], zone) for at in range(0, len(seconds), step)]


def _seconds_a_row(shown: Shown) -> int:
    return -(-len(shown.seconds) // ROWS_MAX) or 1


def what_if_lines(found: WhatIf, zone: str) -> list[str]:
    """What other limits would have changed."""
    said = [f"made by the methods of this version; {each}" for each in found.methods]
    if found.now is not None:
        was = found.was.word if found.was is not None else "none"
        said.append(f"the night: {was} as recorded, {found.now.word} under these limits")
        said += [f"because {each}" for each in found.now.reasons]
    else:
        said.append("no cycle was finished, so nothing is judged")
    count = len(found.otherwise)
    said.append(f"{count} of {found.cycles} cycles would be judged otherwise")
    if found.otherwise:
        first = found.otherwise[0]
        said.append(
            f"the first: cycle {first.cycle_no}, {local_text(first.ts, zone)}: {first.was}, now {first.now}"
        )
    if found.differs_ts is None:
        said.append("motion would have been commanded as it was")
    else:
        said.append(
            f"motion would first have been commanded otherwise at {local_text(found.differs_ts, zone)}: {found.differs}"
        )
        said.append(
            "behind that the tape does not show what would have happened: only figures are said of it"
        )
    return [*said, *(f"damaged: {each}" for each in found.missing)]


def _row(seconds: Sequence[Second], zone: str) -> tuple[str, ...]:
    """Some seconds in a row as one row."""
    begins, silent = clock(seconds[0].ts, zone), sum(not each.samples for each in seconds)
    lows, highs = (
        [getattr(each, f"torque_{end}_nm") for each in seconds if each.samples] for end in ("min", "max")
    )
    last = next((each for each in reversed(seconds) if each.samples), None)
    if last is None:
        return begins, "no samples", "", "", ""
    torque = f"{fixed(min(lows), 3)} to {fixed(max(highs), 3)}" + (
        f", {silent} s without samples" if silent else ""
    )
    count = sum(each.samples for each in seconds)
    mean = sum((each.torque_mean_nm or 0.0) * each.samples for each in seconds) / count
    near = next((name for name in NEAR if name in last.temperatures_degc), "")
    degc = f"{near} {fixed(last.temperatures_degc[near], 1)}" if near else ""
    return begins, torque, fixed(mean, 3), fixed(last.angle_deg or 0.0, 1), degc
