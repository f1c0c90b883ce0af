"""A fixture of another host at a glance, from its retained state alone. What another program wrote is taken for what it is: text and numbers."""

import dataclasses
import math
from collections.abc import Iterator, Mapping
from datetime import tzinfo
from typing import Annotated, Any

import msgspec
import numpy as np
from msgspec import Meta

from nightturn.estimation.figures import FIGURES
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import interval, number, quantity
from nightturn.model.rows import NO_RUN
from nightturn.model.verdicts import MAX
from nightturn.pictures.night import Bound, Row, moment_text
from nightturn.pictures.strip import draw_strip
from nightturn.sentences.first_words import sentence_of
from nightturn.sentences.morning import BY_WORD, Severity
from nightturn.sentences.wall import silent_sentence
from nightturn.telemetry.fleet import FixtureHeard
from nightturn.telemetry.moments import ns_or_none
from nightturn.telemetry.night_so_far import POINTS_MAX
from nightturn.telemetry.reading import OFFLINE
from nightturn.web.alarm_list import with_alarms
from nightturn.web.glance import OUTSIDE, Glance
from nightturn.web.told import STAND

OLDER = "Its host says nothing of its night; a newer nightturn there does."
TURNING = "turning"
WORDS = {**OUTSIDE, **STAND, NO_RUN: "without a run"}


Elapsed = Annotated[float, Meta(ge=0, le=1e9)]
Value = Annotated[float, Meta(ge=-1e9, le=1e9)]
"""So that no picture is asked for that cannot be drawn."""


class Strip(msgspec.Struct, frozen=True):
    """The night of a figure as a retained state carries it."""

    figure: str
    unit: str
    begun_ts: str
    after_s: Annotated[tuple[Elapsed, ...], Meta(max_length=POINTS_MAX)]
    values: Annotated[tuple[Value | None, ...], Meta(max_length=POINTS_MAX)]
    limit: Value | None = None
    direction: str | None = None


class Limit(msgspec.Struct, frozen=True):
    """What of a limit of the night's verdict is shown."""

    figure: str
    direction: str
    limit: Value
    word: str
    value: Value | None = None
    u: Value | None = None
    nu: Annotated[float, Meta(gt=0, le=1e9)] | None = None
    cycles_judged: int = 0


def fleet_glance(heard: FixtureHeard, zone: tzinfo) -> Glance:
    """The tile of a fixture; its name is `LAB/FIXTURE`, which is also its page's address."""
    said = heard.said
    name = f"{heard.lab}/{heard.fixture}"
    state = _text(said, "state")
    need = BY_WORD.get(_text(said, "need"), Severity.NOTE)
    strip, begun, until = _strip(said, name, zone)
    glance = Glance(
        fixture=name,
        run=_text(said, "run"),
        unit=_text(said, "unit"),
        variant=_text(said, "variant"),
        need=need,
        quiet=need is Severity.NOTE and said.get("inside_limits") is True,
        silent=False,
        turning=state == TURNING and need is Severity.NOTE and said.get("inside_limits") is True,
        word=WORDS.get(state, state.replace("_", " ")),
        sentence=_text(said, "sentence") or OLDER,
        more=_text(said, "more"),
        strip=strip,
        begun=begun,
        until=until,
        value=next((words for _, words in limit_rows(said)), ""),
        foot=_foot(said),
    )
    return _silent(glance, heard, zone) if heard.silent else with_alarms(glance, heard.alarms)


def limit_rows(said: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each limit of the night with the mean of all judged cycles, its ± and its word."""
    verdict = said.get("night_verdict")
    for each in _all_of(verdict.get("limits") if isinstance(verdict, dict) else None):
        spec = FIGURES.get(each.figure)
        if spec is None:
            continue
        allowed = quantity(each.limit, spec.unit, beside=each.value or 0.0)
        bound = f"{allowed} {'allowed' if each.direction == MAX else 'asked for'}"
        if each.value is None:
            yield spec.spoken, f"{spec.spoken} not judged yet, {bound}"
        else:
            half = (
                coverage_factor(each.nu) * each.u if each.u is not None and each.nu is not None else math.inf
            )
            mean = interval(each.value, half, spec.unit, beside=each.limit)
            cycles = f"{number(each.cycles_judged)} cycle{'' if each.cycles_judged == 1 else 's'}"
            yield spec.spoken, f"{spec.spoken} {mean} in the mean of {cycles}, {bound}: {each.word}"


def ends_text(said: Mapping[str, Any], zone: tzinfo) -> str:
    """When its plan will be through, or that nobody knows."""
    end_ns = moment(said, "expected_end_ts")
    return moment_text(end_ns, zone) if end_ns is not None else "not known"


def moment(said: Mapping[str, Any], key: str) -> int | None:
    """A time of a payload, UTC ns; None where there is none."""
    try:
        return ns_or_none(said.get(key))
    except (ValueError, TypeError, OverflowError):
        return None


def _all_of(limits: object) -> tuple[Limit, ...]:
    try:
        return msgspec.convert(limits or (), tuple[Limit, ...])
    except msgspec.ValidationError:
        return ()


def _text(said: Mapping[str, Any], key: str) -> str:
    value = said.get(key)
    return value if isinstance(value, str) else ""


def _foot(said: Mapping[str, Any]) -> str:
    done, planned = said.get("cycles_done"), said.get("cycles_planned")
    if not isinstance(done, int) or not isinstance(planned, int):
        return ""
    return f"{number(done)} of {number(planned)} cycles" if done else "no cycle yet"


def _silent(glance: Glance, heard: FixtureHeard, zone: tzinfo) -> Glance:
    """What it did is said to be past; a daemon that was stopped has said so itself."""
    when = moment_text(heard.newest_ns, zone) if heard.newest_ns is not None else ""
    stopped = _text(heard.said, "state") == OFFLINE
    said = sentence_of(_text(heard.said, "reason")) if stopped else silent_sentence(when, (glance.word,))
    return dataclasses.replace(
        glance,
        need=glance.need if glance.need is Severity.ACT_NOW else Severity.NOTE,
        quiet=False,
        silent=True,
        turning=False,
        word="no daemon" if stopped else "no word",
        sentence=said,
        more="",
        value="",
        foot=f"last word {when}" if when else "",
    )


def _strip(said: Mapping[str, Any], name: str, zone: tzinfo) -> tuple[str, str, str]:
    """The picture, and the words at its ends."""
    try:
        strip = msgspec.convert(said.get("strip"), Strip)
        begun = ns_or_none(strip.begun_ts)
    except (msgspec.ValidationError, ValueError, TypeError, OverflowError):
        return "", "", ""
    spec = FIGURES.get(strip.figure)
    if spec is None or begun is None or not strip.values or len(strip.values) != len(strip.after_s):
        return "", "", ""
    value = np.array([math.nan if each is None else each for each in strip.values], float)
    ts = begun + (np.array(strip.after_s, float) * NS_PER_S).astype(np.int64)
    bounds = (Bound(strip.limit, strip.direction == MAX),) if strip.limit is not None else ()
    unknown = np.full(len(value), math.nan)
    row = Row(spec.spoken, spec.unit, ts, value, unknown, np.ones(len(value), bool), bounds)
    end = moment(said, "expected_end_ts")
    last = int(ts[-1])
    over = (begun, max(end or last, last, begun + 1))
    picture = draw_strip(row, [], over, zone, name=f"strip-{name.replace('/', '-')}")
    clock = [moment_text(each, zone).split(" ")[2] for each in over]
    return picture.svg, clock[0], f"planned end {clock[1]}" if end is not None and end > last else clock[1]
