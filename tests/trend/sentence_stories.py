"""Stories for every sentence on change, cause and life: what a maker of sentences is given, and what it says of that.

Each is called by the maker that speaks, so that what one story provokes another of the same maker must leave unsaid.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pandas as pd
from tests.evidence.plain import features, moved, unseen
from tests.fixture.living import records
from tests.trend.test_damage import ONE, history_of
from tests.unit_history.nights import night, place

from nightturn.errors import StorageError
from nightturn.estimation.figures import FRICTION, RIPPLE_PP
from nightturn.evidence import features as kinds
from nightturn.evidence.features import Feature, Features
from nightturn.evidence.judge import Finding, causes
from nightturn.evidence.wording import BY_CAUSE, feature_text, finding_text, how_text, next_texts
from nightturn.model.facts import TrendFitted
from nightturn.model.figures import CycleRecord
from nightturn.model.trends import Changed, Fitted, Rate, Rolled, Warmed
from nightturn.settings.rig import Bearing, SlopeLimit, Trend
from nightturn.trend.causes import Window, because, declared_of
from nightturn.trend.change_point import Change, Found, Kind
from nightturn.trend.conditions import course_notices
from nightturn.trend.course import Course, course_of
from nightturn.trend.cusum import Cause, Chart, Design
from nightturn.trend.damage import SnLine, miner_sum, relative_damage
from nightturn.trend.fits import Point
from nightturn.trend.followed import BEFORE, Followed
from nightturn.trend.following import Following, Terms
from nightturn.trend.learning import VariantSlope
from nightturn.trend.mann_kendall import MannKendall
from nightturn.trend.rolling import Block, Rolling, Track, estimated
from nightturn.trend.run_length import Budget
from nightturn.trend.series import FOLLOWED, Series
from nightturn.trend.slope import Axis, NoSlope, Slope, Unknown
from nightturn.trend.temperature import Equilibrium, NoModelWhy, NoTemperatureModel, Paused, TemperatureModel
from nightturn.trend.temperature_curves import Curve
from nightturn.trend.temperature_curves import Kind as Shape
from nightturn.trend.time_to_limit import Outcome, TimeToLimit, by_the_clock, words
from nightturn.trend.watch import Watched
from nightturn.trend.wording import (
    change_text,
    course_text,
    left_out_text,
    level_text,
    slope_text,
    temperature_text,
    watch_text,
)
from nightturn.unit_history.account import account
from nightturn.unit_history.headline import beside_text, headline
from nightturn.unit_history.life import life, what_changed
from nightturn.unit_history.nights import Night
from nightturn.unit_history.rolling import Followed as Unwatched
from nightturn.unit_history.rolling import lines_of, rolled_text

Said = tuple[str, str]
"""Which maker speaks, and what it says in one story, all of its sentences behind each other."""
HOUR_NS = 3600 * 10**9
SLOPE = Slope(Axis.STROKES, 0.0, 640.0, 0.08, 1e-5, 1e-6, 1e-7, 0.0, 30.0, 40, 30.0, 0.1, 1.0)
LEVEL_SLOPE = msgspec.structs.replace(SLOPE, slope=1e-9)
FEW = NoSlope(Axis.STROKES, Unknown.TOO_FEW, 4, 4.0, 30.0)
FAR = TimeToLimit(
    Outcome.TOWARDS, Axis.STROKES, 0.1, "max", 900.0, False, 1500.0, None, 1920.0, 640.0, 0.08, 1e-4, 1e-5, 1e-6
)  # fmt: skip
CURVE = Curve(Shape.LINEAR, -1e-3, 0.0, 0.0, 1.0, 0.0)
MODEL = TemperatureModel(CURVE, (), ((1.0,),), 30.0, 25.0, 23.0, 27.0, 1e-3, 1e-4, 0.1, 2.0, 60)
STEP = Change(Kind.STEP, 20, (18, 19, 20, 21), 1e-3, 1e-4, 0.080, 1e-5, 0.081, 1e-5, 40.0)
BEND = replace(STEP, kind=Kind.BEND, places=(1, 2, 20))


def stories() -> Iterator[Said]:
    """All of them."""
    for part in (
        _courses,
        _limits,
        _conditions,
        _causes,
        _live,
        _watches,
        _loads,
        _rolling,
        _evidence,
        _units,
    ):
        yield from part()


@cache
def _quiet() -> Course:
    """Forty quiet cycles."""
    return course_of(series(40))


def series(count: int) -> Series:
    at = np.arange(count)
    noise = 1e-5 * np.random.default_rng(2).standard_normal(count)
    nothing = np.zeros(count, np.int64)
    return Series(
        FRICTION, 1, np.asarray(16.0 * at, np.float64), at * HOUR_NS // 10, 0.08 + noise, np.full(count, 1e-5), np.full(count, np.nan), nothing, nothing,
        at + 1, 0,
    )  # fmt: skip


def _moment(ts: int) -> str:
    return f"2026-11-26 {ts // HOUR_NS:02d}:00:00 +00:00"


def _found(*changes: Change, other: Change | None = None) -> Course:
    return replace(_quiet(), found=tuple(Found(each, other) for each in changes))


def _courses() -> Iterator[Said]:
    down = replace(STEP, after=0.079)
    shown = [
        _quiet(), course_of(series(5)), _found(STEP), _found(down), _found(BEND), _found(replace(BEND, after=0.079, places=(19, 20))),
        _found(STEP, other=BEND), _found(STEP, STEP), _found(STEP, STEP, STEP),
    ]  # fmt: skip
    yield from (("change_text", " | ".join(change_text(each, _moment))) for each in shown)
    quiet = replace(_quiet(), slope=LEVEL_SLOPE, ranks=None)
    ranks = MannKendall(40, 10, 0.1, 1.0, 1.0, 0.1, 0.9, 0.0, 0.0, 0.0)
    for course in (
        quiet, replace(quiet, slope=FEW), replace(quiet, slope=SLOPE, found=(Found(STEP, None),)),
        replace(quiet, slope=SLOPE, ranks=ranks), replace(quiet, ranks=msgspec.structs.replace(ranks, p=0.001)),
        replace(quiet, model=MODEL), replace(quiet, model=msgspec.structs.replace(MODEL, curve=msgspec.structs.replace(CURVE, kind=Shape.NONE))),
        replace(quiet, model=msgspec.structs.replace(MODEL, units=4)), replace(quiet, beside=True), replace(quiet, hidden=1, doubt=1e-3),
        replace(quiet, model=NoTemperatureModel(NoModelWhy.NO_RANGE, 0.5, 2.0)),
    ):  # fmt: skip
        yield "course_text", " | ".join(course_text(course, ()))
    for slopes in ((), (VariantSlope(FRICTION, -0.008, 0.001, 3.0, 4, 20.0, 28.0),)):
        yield "slope_text", " | ".join(slope_text(each) for each in slopes)
    yield "level_text", level_text(quiet)
    yield "level_text", level_text(replace(course_of(series(5)), slope=FEW))
    for course in (quiet, replace(quiet, warming=3), replace(quiet, outside=(2, Paused(-4.0)))):
        yield "left_out_text", left_out_text(course)
    for watch in (Watched(None, "", ()), Watched(HOUR_NS, "", ()), Watched(None, "not watched", ())):
        yield "watch_text", watch_text(watch, _moment)
    for settled in (True, False):
        yield "temperature_text", temperature_text(Equilibrium(0.1, 0.3, 0.5, 1.0, settled))
    yield "temperature_text", temperature_text(None)


def _limits() -> Iterator[Said]:
    change = msgspec.structs.replace
    limits = (
        FAR, change(FAR, likely=None), change(FAR, outcome=Outcome.REACHED), change(FAR, outcome=Outcome.AWAY),
        change(FAR, outcome=Outcome.NO_TREND), change(FAR, not_before=0.0), change(FAR, capped=True), change(FAR, axis=Axis.HOURS),
    )  # fmt: skip
    yield from (("words", words(each, "N·m")) for each in limits)
    hourly = change(FAR, axis=Axis.HOURS)
    for each in (hourly, change(hourly, capped=True), change(hourly, not_before=0.0)):
        yield "by_the_clock", by_the_clock(each, "N·m")
    for slope in (SLOPE, LEVEL_SLOPE):
        yield "words", words(slope, "N·m")
    for lacking in Unknown:
        yield "words", words(change(FEW, why=lacking), "N·m")
    for kelvin in (-4.0, 3.0):
        yield "words", words(Paused(kelvin), "N·m")
    for why in NoModelWhy:
        yield "words", words(NoTemperatureModel(why, 0.5, 2.0), "N·m")


def _conditions() -> Iterator[Said]:
    fitted = Fitted(40, 0.08, 1e-5, (Rate("strokes", 1e-5, 1e-6, 2e-6),), (), (), "")
    for direction in (1, -1):
        for most in (0.001, 1.0):
            limit = Trend(slope={FRICTION: SlopeLimit(per_1000_strokes=most, say="today")})
            said = course_notices(FRICTION, direction, fitted, 0, limit)
            yield "course_notices", " | ".join(each.said for each in said)


def _causes() -> Iterator[Said]:
    window = Window(0, 10, 20, 30)
    nobody = declared_of(night(0, {}, cycles=1).settings.variant, ())
    yield "because", " ".join(because((), window, nobody, referenced=True).said)
    one = Following()
    for cycle in _records(4):
        one.kept.add(cycle, thin=True)
    whole = Window(0, one.kept.cycles[2].ts, one.kept.cycles[2].ts, one.kept.cycles[3].ts + 1)
    yield "because", " ".join(because(one.kept.cycles, whole, nobody, referenced=True).said)
    own = msgspec.structs.replace(
        night(0, {}, cycles=1).settings.variant, bearing=(Bearing(name="output", orders=(10.01,)),)
    )
    rig = Bearing(name="spindle", orders=(7.1,))
    for declared in (declared_of(own, ()), declared_of(msgspec.structs.replace(own, bearing=()), (rig,))):
        yield "declared_of", " ".join(name for name, _ in declared.bearings)


def _records(count: int) -> list[CycleRecord]:
    return list(records(night(0, {}, cycles=count), FOLLOWED))


def _point(at: int, degc: float = 25.0) -> Point:
    return Point(at, at * HOUR_NS, 16.0 * at, degc, (0.08,) * len(FOLLOWED), (1e-5,) * len(FOLLOWED))


def _live() -> Iterator[Said]:
    """Reasons of rows."""
    changed = Changed(
        "step", 5, 80, HOUR_NS, 4, 6, 1, 2, 0.08, 1e-5, 0.081, 1e-5, placed=True, said="stepped up"
    )
    fitted = Fitted(40, 0.08, 1e-5, (), (changed,), (), "")
    plain = [_point(at) for at in range(4)]

    def reason(of: Callable[[Followed], None], points: Sequence[Point] = plain) -> Said:
        each = Followed.start(FRICTION, 8.0)
        of(each)
        return "row", each.add(points, 1).reason

    def told(each: Followed) -> None:
        each.suspect(3, 20)
        assert each.take(TrendFitted(FRICTION, 1, 9, fitted)) == changed
        each.take(TrendFitted(FRICTION, 1, 10, msgspec.structs.replace(fitted, changes=())))

    def awaiting(each: Followed) -> None:
        assert each.begin_with(plain)

    def learned(each: Followed) -> None:
        each.model = msgspec.msgpack.encode(MODEL)

    yield reason(lambda _: None)
    yield reason(lambda _: None, plain[:1])
    yield reason(lambda each: each.suspect(3, 20))
    yield reason(lambda each: each.suspect(BEFORE, 20))
    yield reason(told)
    yield reason(awaiting)
    yield reason(learned, [_point(0), _point(1, float("nan"))])
    settings = night(0, {}, cycles=1).settings
    terms = Terms(8.0, settings.variant, {}, ())
    whole, bare = _records(2)
    for record in (
        whole,
        msgspec.structs.replace(bare, figures=()),
        msgspec.structs.replace(whole, status="incomplete"),
    ):
        yield "row", " | ".join({row.reason for row in Following().cycle(record, terms)})


def _watches() -> Iterator[Said]:
    for cause in Cause:
        chart = Chart(Design(8.0))
        chart.restart(cause)
        yield "chart", chart.why_not
    equal = Chart(Design(8.0, watched_from=5))
    for _ in range(40):
        equal.add(0.08)
    yield "chart", equal.why_not
    few = Chart(Design(8.0, watched_from=30))
    for value in (0.1, 0.2, 0.3, 0.15):
        few.add(value)
    few.restart(Cause.REMOUNT)
    few.add(0.4)
    yield "chart", few.why_not
    level = Chart(Design(8.0, watched_from=5))
    rng = np.random.default_rng(4)
    for value in rng.standard_normal(60):
        level.add(float(value))
    level.restart(Cause.REMOUNT)
    yield "chart", level.why_not
    for rho in (0.0, 0.99):
        alike, value = Chart(Design(1e9)), 0.0
        for noise in rng.standard_normal(150):
            value = rho * value + float(noise)
            alike.add(value)
        yield "chart", alike.remark
    for values in (60, 20):
        yield "budget", Budget(1, 6, values, 0.05, 30).sentence()
    yield "budget", account(life("Q-0121", [night(0, {}, cycles=0)]), _gone).watch


def _loads() -> Iterator[Said]:
    plain = history_of([0, 10, 0, 10])
    other = history_of([0, 10, 0, 10], gate=2)
    far = history_of([0, 10, 0, 60, 50, 60, 0])
    line = SnLine(1e6, 10.0, 5.0)
    yield "damage", " | ".join(miner_sum(plain, ONE, line).remarks)
    yield "damage", " | ".join(miner_sum(far, ONE, SnLine(1e6, 10.0, 5.0, ultimate=500.0)).remarks)
    for reference in (plain, other, far):
        found = relative_damage(plain, reference, 5.0, ONE)
        assert found is not None
        yield "damage", " | ".join(found.remarks)


def _rolling() -> Iterator[Said]:
    rng = np.random.default_rng(6)

    def track(count: int, step: int, hole: bool = False) -> Track:
        blocks = [
            Block(at * step * HOUR_NS, 16.0 * at * step, 0.01 + 1e-4 * float(rng.standard_normal()), 1e-4, 1)
            for at in range(count)
        ]
        if hole:
            blocks[7] = msgspec.structs.replace(blocks[7], value=float("nan"))
        return Track("slot_orders_nm", 1, blocks)

    faint = Track("slot_orders_nm", 1, [Block(at * HOUR_NS, 16.0 * at, 0.0, 1e-5, 1) for at in range(40)])
    warming = track(40, 1)
    warming.blocks = [
        msgspec.structs.replace(each, degc=20.0 + 0.1 * at) for at, each in enumerate(warming.blocks)
    ]
    for each in (faint, track(5, 1), track(40, 0), track(40, 1), track(40, 1, hole=True), warming):
        (found,) = estimated(msgspec.msgpack.encode([each]))
        yield "estimated", found.why_not
    for slope in (1e-5, 1e-9):
        rates = (Rate("strokes", slope, 1e-7, 2e-7), Rate("hours", slope, 1e-7, 2e-7))
        yield (
            "rolled_text",
            rolled_text(Rolled("slot_orders_nm", 1, 40, 1, 0.01, 1e-4, 640, 0.01, 1e-4, rates)),
        )
    yield "rolled_text", " | ".join(each.text for each in lines_of(Unwatched(Rolling(), {}, ())))
    yield (
        "rolled_text",
        rolled_text(
            Rolled("slot_orders_nm", 1, 5, 1, 0.01, 1e-4, 80, why_not="no slope: 5 blocks, 30 are wanted")
        ),
    )

    warmed = Rolled("slot_orders_nm", 1, 40, 1, 0.01, 1e-4, 640, 0.01, 1e-4, degc=24.0)
    for does in (None, Warmed(-1e-4, 2e-5, 2e-4, 1e-4), Warmed(1e-6, 2e-5, 2e-6, 1e-4)):
        yield "rolled_text", rolled_text(msgspec.structs.replace(warmed, warmed=does))


def _evidence() -> Iterator[Said]:
    told: list[Features] = [
        features(), features(moved(kinds.ZERO)), features(moved(kinds.RIPPLE)), features(unseen(kinds.FRICTION)),
        features(moved(kinds.BEYOND), moved(kinds.FRICTION), known=(kinds.REMOUNT,), blind={kinds.BEARING: "no bearing is declared"}),
    ]  # fmt: skip
    for each in told:
        yield "finding_text", " | ".join(finding_text(finding, each) for finding in causes(each))
    yield "finding_text", finding_text(Finding("wear", (moved(kinds.BEYOND),)), features())
    yield from (("next_texts", " ".join(next_texts(cause) or ("",))) for cause in ("nothing fits", *BY_CAUSE))
    yield "how_text", how_text(features())
    yield "how_text", how_text(features(known=(kinds.REMOUNT,)))
    yield "feature_text", feature_text(moved(kinds.OTHER_LINE, at=5.37))
    for kind in kinds.KINDS:
        yield "feature_text", feature_text(moved(kind))
    counted = Feature(kinds.JUMPS, before=0.0, now=9.0, change=9.0, u=1.0, chance=1e-3)
    yield "feature_text", feature_text(counted)
    yield "feature_text", feature_text(msgspec.structs.replace(counted, chance=1e-9))


def _gone(_: Night) -> pd.DataFrame:
    raise StorageError("figures cleared")


def _units() -> Iterator[Said]:
    stepping = night(0, {RIPPLE_PP: lambda hours, _: 0.08 + 0.004 * (hours > 2.0)}, cycles=60)
    nights = (stepping, night(0, {}, cycles=60), night(0, {}, cycles=8))
    accounts = [account(life("Q-0121", [each]), _gone) for each in nights]
    for found in accounts:
        yield "account", " | ".join(found.causes)
        yield "headline", headline(found)
        yield (
            "headline",
            headline(
                msgspec.structs.replace(found, causes=("Consistent with damage in a bearing: a line.",))
            ),
        )
    for phases, parks in (({}, 0), ({"warm_up": (120, 0.5), "soak": (60, 0.5)}, 0), ({}, 2)):
        yield "beside_text", beside_text(phases, parks)
    ripple = accounts[-1].courses[0]
    zero = msgspec.structs.replace(ripple, title="zero", judged=False)
    mixed = (msgspec.structs.replace(ripple, judged=True), zero)
    began = accounts[-1].nights[0].started_ts
    rises = msgspec.structs.replace(ripple, changed_ts=began, said=("rises",))
    yield "headline", headline(msgspec.structs.replace(accounts[-1], courses=(rises,), rejected_ts=began))
    yield "headline", headline(msgspec.structs.replace(accounts[-1], courses=mixed))
    usual = place()
    for after in (
        usual, place(fixture="pan-b1"), place(mounted_utc="2026-11-26T21:00:00Z"), place(transducer="TR-205"),
        place(calibration="TR-204/2"), place(plan="slow turn at 3 rpm"), replace(usual, settings=(("filter", "null"),)),
    ):  # fmt: skip
        yield "what_changed", what_changed(usual, after)
