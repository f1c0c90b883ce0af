"""The wall as a page: how many need a person, who and why, then a tile for each fixture."""

from collections.abc import Sequence
from datetime import datetime

from nightturn.model.clocks import NS_PER_S
from nightturn.sentences.wall import wall_sentence
from nightturn.storage.zones import zone_of
from nightturn.web.alarm_list import AlarmLine
from nightturn.web.glance import Glance
from nightturn.web.templates import page

WHY_MAX = 12
"""So many fixtures are named above the tiles."""
DENSE_FROM = 25
"""From so many fixtures on a quiet one has its name and strip only."""


def wall_page(
    glances: Sequence[Glance],
    *,
    place: str,
    zones: Sequence[str],
    now_ns: int,
    source: str,
    etag: str,
    worst: bool,
    hosts: Sequence[AlarmLine] = (),
    alarm_problem: str = "",
    nobody: str = "",
) -> str:
    """The whole wall.

    Args:
        glances: a fixture each, by place.
        place: which data root or bench it is, in words.
        zones: time zones of the runs on it.
        now_ns: UTC, for the offset of their clocks.
        source: whether somebody records there, in words.
        etag: of what it shows.
        worst: whether who needs a person most stands first.
        hosts: alarms that belong to no fixture.
        nobody: what is said where there is no fixture, other than that nothing was recorded.
        alarm_problem: why some of the alarms may be wrong; empty where none is known to be.
    """
    urgent = sorted((each for each in glances if each.asks or each.silent), key=_gravest)
    sentence = wall_sentence(
        len(glances),
        sum(each.asks for each in glances),
        sum(each.silent for each in glances),
        turning=sum(each.turning for each in glances),
    )
    return page(
        "wall.html",
        title=sentence if glances or not nobody else nobody,
        etag=etag,
        live=True,
        place=place,
        clock=clocks_text(zones, now_ns),
        source=source,
        why=urgent[:WHY_MAX],
        hosts=hosts,
        alarm_problem=alarm_problem,
        more_why=max(len(urgent) - WHY_MAX, 0),
        worst=worst,
        dense=len(glances) >= DENSE_FROM,
        tiles=sorted(glances, key=_gravest) if worst else glances,
    )


def _gravest(each: Glance) -> tuple[int, bool, bool, str]:
    return -each.need, not each.silent, each.quiet, each.fixture


def clocks_text(zones: Sequence[str], now_ns: int) -> str:
    """`times by the clocks of Europe/Vienna, now +01:00`, once in the head of a page."""
    said = []
    for name in dict.fromkeys(zones):
        zone = zone_of(name)
        offset = datetime.fromtimestamp(now_ns // NS_PER_S, zone).strftime("%z") if zone is not None else ""
        said.append(f"{name}, now {offset[:3]}:{offset[3:5]}" if offset else name)
    return f"times by the clocks of {' and '.join(said)}" if said else ""
