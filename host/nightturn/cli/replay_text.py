"""What a stretch of a tape says, as rows for people."""

from nightturn.model.quantities import fixed
from nightturn.replay.shown_again import Second, Shown
from nightturn.replay.what_if import WhatIf
from nightturn.storage.zones import local_text
from nightturn.trend.series import NEAR

SECONDS_HEAD = ("time", "torque, N·m", "mean", "angle, °", "°C")
EVERY = 30
"""Rows of a table of seconds, at most; of a longer stretch every so many."""


def clock(ts: int, zone: str) -> str:
    """The time of day of a moment."""
    return local_text(ts, zone)[11:19]


def lines(shown: Shown, zone: str) -> list[tuple[str, str]]:
    """What happened, a row each."""
    return [(clock(each.ts, zone), f"{each.what}: {each.text}") for each in shown.lines]


def second_rows(shown: Shown, zone: str) -> list[tuple[str, ...]]:
    """What the sensors showed."""
    step = -(-len(shown.seconds) // EVERY) or 1
    return [_second(row, zone) for row in shown.seconds[::step]]


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


def _second(row: Second, zone: str) -> tuple[str, ...]:
    if row.torque_min_nm is None or row.torque_max_nm is None or row.angle_deg is None:
        return clock(row.ts, zone), "no samples", "", "", ""
    torque = f"{fixed(row.torque_min_nm, 3)} to {fixed(row.torque_max_nm, 3)}"
    near = next((name for name in NEAR if name in row.temperatures_degc), "")
    degc = f"{near} {fixed(row.temperatures_degc[near], 1)}" if near else ""
    return clock(row.ts, zone), torque, fixed(row.torque_mean_nm or 0.0, 3), fixed(row.angle_deg, 1), degc
