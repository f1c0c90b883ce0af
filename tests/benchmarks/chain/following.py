"""A night through the chain of the product: the live watch, the courses that it asks for, the cause of the change that it has told."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import msgspec
import numpy as np
from tests.benchmarks.chain.nights import STROKES, Night, direction_of
from tests.evidence.stories import DECLARED
from tests.unit_history.nights import usual_settings

from nightturn.calibration.records import certificate_of
from nightturn.demo.scenario import calibration
from nightturn.evidence.from_cycles import features_of
from nightturn.evidence.judge import Finding, causes
from nightturn.model.facts import TrendFitted
from nightturn.model.trends import Changed, Rate
from nightturn.trend.causes import CYCLES as COMPARED
from nightturn.trend.change_point import LEAST
from nightturn.trend.course import zero_per_k
from nightturn.trend.fits import fitted
from nightturn.trend.following import Following, Terms
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.account import WORN

Key = tuple[str, int]
"""Figure and direction."""


@dataclass(frozen=True)
class Told:
    """A change that people were told of: in which cycle from 0, and what was said."""

    key: Key
    at: int
    changed: Changed


@dataclass
class Seen:
    """What the chain had to say of a night.

    Attributes:
        suspected: alarms of the watch, by figure and direction: in which cycle from 0.
        told: sentences that a change has made, in order.
        rates: slopes along strokes at the end of the night, where they were asked for, and the cycle number behind which they hold.
        findings: of the first figure in the order of `WORN` that was told of, at the end of the night; empty where none was.
    """

    suspected: dict[Key, list[int]] = field(default_factory=dict)
    told: list[Told] = field(default_factory=list)
    rates: dict[Key, tuple[int, Rate]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def terms(threshold: float) -> Terms:
    """Limits of the usual unit, none on the rig; the certificate of the demo's transducer."""
    per_k = zero_per_k(certificate_of(calibration("TR-204")))
    return Terms(threshold, usual_settings().variant, {}, (), zero_nm_per_k=per_k)


def followed(night: Night, held: Terms, *, slopes: bool = False, every: bool = False) -> Seen:
    """The night through the chain, in one run or, where the unit was mounted again, two.

    `every`: fit every course that live asks for; else those only from which a change may be told or temperature learned, which gives the same
    changes (tests/trend/test_chain.py). `slopes`: fit every figure at the end of the night.
    """
    seen = Seen()
    runs = [range(night.story.mounted), range(night.story.mounted, night.story.cycles)]
    for run in runs:
        if run:
            following = _run(night, run, held, seen, every=every)
            _end(following, held, seen, run, slopes=slopes)
    if seen.told:
        seen.findings = _causes(night, seen)
    return seen


def _run(night: Night, run: range, held: Terms, seen: Seen, *, every: bool) -> Following:
    following, was = Following(), dict[Key, bool]()
    for k in run:
        record = night.record(k)
        for _ in range(STROKES):
            following.stroke(record.cycle_no)
        following.cycle(record, held)
        lane = following.lanes[direction_of(k)]
        for each in lane.figures:
            key = each.figure, direction_of(k)
            now = bool(each.suspected)
            if now and not was.get(key):
                seen.suspected.setdefault(key, []).append(k)
            was[key] = now
        if not every:
            following.wanted = [key for key in following.wanted if _matters(following, key)]
        _answer(following, held, seen, k)
    return following


def _matters(following: Following, key: Key) -> bool:
    """Whether a course can tell of a change, or is to learn what temperature does."""
    each = following.lanes[key[1]].figure(key[0])
    return (bool(each.suspected) and each.behind >= LEAST) or each._learns


def _answer(following: Following, held: Terms, seen: Seen, k: int) -> None:
    while (job := following.ask(held)) is not None:
        fact = fitted(job)
        changed = following.take(fact)
        if changed is not None:
            seen.told.append(Told((fact.figure, fact.direction), k, changed))


def _end(following: Following, held: Terms, seen: Seen, run: range, *, slopes: bool) -> None:
    """The slopes at the end: of what was told, or of every figure."""
    told = {each.key for each in seen.told if each.at in run}
    for direction in following.lanes:
        for figure in FOLLOWED:
            key = figure, direction
            if not slopes and key not in told:
                continue
            fact = _fit(following, held, key)
            if fact.fitted is None:
                continue
            newest = fact.fitted.changes[-1].cycle_no if fact.fitted.changes else None
            behind = run.start if newest is None else newest
            rate = fact.fitted.rate("strokes")
            if rate is not None:
                seen.rates[key] = behind, rate


def _fit(following: Following, held: Terms, key: Key) -> TrendFitted:
    following.wanted, following.asked = [key], None
    job = following.ask(held)
    assert job is not None
    return fitted(msgspec.structs.replace(job, learn=False))


def _causes(night: Night, seen: Seen) -> tuple[Finding, ...]:
    """As the history of the unit asks (`unit_history.causes`): the cycles before the 90 % set against the newest."""
    first = min(seen.told, key=lambda each: WORN.index(each.key[0]))
    assert first.changed.cycle_no_from is not None
    return causes_at(night, first.changed.cycle_no_from - 1)


def causes_at(night: Night, begin: int) -> tuple[Finding, ...]:
    """Of a change that began in this cycle from 0."""
    run = night.story.mounted if begin >= night.story.mounted else 0
    before = [night.values(k) for k in range(max(begin - COMPARED, run), begin)]
    now = [night.values(k) for k in range(max(begin, night.story.cycles - COMPARED), night.story.cycles)]
    return causes(features_of(before, now, DECLARED))


def naive(night: Night, baseline: int, deviations: float) -> Mapping[Key, int]:
    """The first cycle in which a raw value lies so many deviations off the mean of the first ones: what a person would set up."""
    found: dict[Key, int] = {}
    for name in FOLLOWED:
        for direction, first in ((1, 0), (-1, 1)):
            values = night.figures[name][first::2] if name in night.figures else np.empty(0)
            early = values[:baseline][np.isfinite(values[:baseline])]
            if len(early) < baseline // 2:
                continue
            off = np.abs(values - early.mean()) > deviations * early.std(ddof=1)
            over = np.flatnonzero(off[baseline:])
            if len(over):
                found[name, direction] = 2 * (baseline + int(over[0])) + first
    return found
