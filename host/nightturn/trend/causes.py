"""What a change is consistent with: the cycles before it against those since, live and from the store by one rule."""

from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from nightturn.estimation.bearings import declared_bearings
from nightturn.estimation.figures import BREAKAWAY, COGGING_PP, FRICTION, MEAN_TORQUE, RIPPLE_PP, ZERO
from nightturn.estimation.scan import ENCODER_JUMPED
from nightturn.estimation.symptoms import COGGING
from nightturn.evidence import features as kinds
from nightturn.evidence.cycle_values import CycleValues, Declared, DefectValue, OrderValue, Value
from nightturn.evidence.features import NO_REFERENCE
from nightturn.evidence.from_cycles import features_of
from nightturn.evidence.judge import causes
from nightturn.evidence.wording import sentences
from nightturn.model.clocks import NS_PER_S
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.phases import SLOW_TURN
from nightturn.model.trends import Because
from nightturn.settings.rig import Bearing, Encoder
from nightturn.settings.variant import Variant
from nightturn.trend.course import Course

LINE_TURNS, DEFECT_TURNS = 2, 3
"""Turns from which on a cycle is searched for lines between whole orders, and for deviations at one angle."""
CYCLES = 20
"""So many cycles before the change are held against as many of the newest."""
KEPT_MAX = 96
"""Cycles whose values are kept of a run, of some 2 kB each: a night's; of more, every second one of the older half goes."""
FIGURES = {
    kinds.FRICTION: FRICTION,
    kinds.BREAKAWAY: BREAKAWAY,
    kinds.ZERO: ZERO,
    kinds.MEAN_TORQUE: MEAN_TORQUE,
    kinds.RIPPLE: RIPPLE_PP,
    kinds.COGGING: COGGING_PP,
}
NOT_ASKED = "Causes are not looked for: no complete cycle of this mounting from {} the change is at hand."
FOREVER = (1 << 63) - 1
VALUES = msgspec.msgpack.Decoder(CycleValues)


class Kept(msgspec.Struct, frozen=True, array_like=True):
    """A complete cycle: its number, when it began, the boot it was measured in, and its values, packed."""

    cycle_no: int
    ts: int
    boot: int
    packed: bytes


class Keeping(msgspec.Struct):
    """The newest cycles of a run, for whoever asks what a change is consistent with.

    `findings` are those of the encoder since the last of them: a jump breaks its cycle off, so the next complete one counts it.
    """

    cycles: list[Kept] = []
    findings: int = 0

    def add(self, record: CycleRecord, *, thin: bool) -> None:
        """One more; `thin` where none of them is in use."""
        self.findings += encoder_findings(record.reasons)
        if record.status != OK:
            return
        if thin and len(self.cycles) >= KEPT_MAX:
            half = len(self.cycles) // 2
            self.cycles = self.cycles[:half:2] + self.cycles[half:]
        values = msgspec.msgpack.encode(values_of(record, self.findings))
        kept = Kept(record.cycle_no, record.ts_start, record.epoch, values)
        self.cycles, self.findings = [*self.cycles, kept], 0

    def up_to(self, cycle_no: int) -> tuple[Kept, ...]:
        """Those up to a cycle."""
        return tuple(each for each in self.cycles if each.cycle_no <= cycle_no)


class Window(NamedTuple):
    """What is compared, ns since 1970 UTC: cycles that began in [since, first) with those in [last, until)."""

    since: int
    first: int
    last: int
    until: int


def window_of(course: Course, place: int) -> Window:
    """Around one of the changes of a course: outside its 90 % set, and not beyond the changes beside it.

    Where the set of a change beside it reaches into its own, that one counts where it most likely was; one that was within the set is a part of it.
    """
    ts, found = course.series.ts, [each.change for each in course.found]
    first, last = found[place].places[0], found[place].places[-1]
    before = [at for each in found[:place] for at in (each.places[-1], each.at) if at < first]
    behind = [at for each in found[place + 1 :] for at in (each.places[0], each.at) if at > last]
    since = int(ts[max(before)]) if before else 0
    until = int(ts[min(behind)]) if behind else FOREVER
    return Window(since, int(ts[first]), int(ts[last]), until)


def because(
    cycles: Sequence[Kept],
    window: Window,
    declared: Declared,
    *,
    referenced: bool,
    only: frozenset[str] = frozenset(),
) -> Because:
    """What a change is consistent with, by the cycles of one mounting in order of time.

    Args:
        cycles: all that are at hand.
        window: around the change.
        declared: what is known of unit and rig.
        referenced: whether the encoder finds its zero again after a boot.
        only: causes that are asked for; all of the table without one.
    """
    before = [each for each in cycles if window.since <= each.ts < window.first][-CYCLES:]
    now = [each for each in cycles if window.last <= each.ts < window.until][-CYCLES:]
    if not before or not now:
        return Because((), (NOT_ASKED.format("behind" if before else "before"),))
    boots = {each.boot for each in (*before, *now)}
    features = features_of(
        [VALUES.decode(each.packed) for each in before],
        [VALUES.decode(each.packed) for each in now],
        declared,
        () if referenced or len(boots) < 2 else (NO_REFERENCE,),
    )
    findings = [each for each in causes(features) if not only or each.cause in only]
    return Because(tuple(each.cause for each in findings), sentences(features, findings))


def declared_of(variant: Variant, rig_bearings: Sequence[Bearing]) -> Declared:
    """What is known of unit and rig."""
    own, rigs = declared_bearings(variant.bearing), declared_bearings(rig_bearings)
    named = tuple((f"{name} of the unit", order) for name, order in own)
    return Declared(variant.pole_pairs, variant.slots, (*named, *rigs))


def has_reference(encoder: Encoder) -> bool:
    """Whether an encoder finds its zero again after a boot."""
    return encoder.reference != "none"


def encoder_findings(reasons: Sequence[str]) -> int:
    """How many of the reasons for which a cycle is not complete are findings of the encoder."""
    return sum(each.startswith(ENCODER_JUMPED) for each in reasons)


def values_of(record: CycleRecord, findings: int) -> CycleValues:
    """A complete cycle as plain values, as `unit_history.causes.cycle_values` makes them of its stored row."""
    figures = {each.name: each for each in record.figures}
    ripple, cogging = (_worked_out(figures.get(name)) for name in (RIPPLE_PP, COGGING_PP))
    turns = figures[COGGING_PP].n if COGGING_PP in figures else 0
    bands = [each.band[1] for each in (ripple, cogging) if each is not None and each.band is not None]
    seen = record.symptoms
    return CycleValues(
        start_s=record.ts_start / NS_PER_S,
        direction=record.direction,
        speed_rpm=abs(record.speed_rpm),
        setpoint_nm=abs(record.setpoint_nm),
        figures={
            kind: value for kind, name in FIGURES.items() if (value := _value(figures.get(name))) is not None
        },
        hold_orders=None if ripple is None else _orders(record.orders),
        cogging_orders=None if cogging is None else _orders(record.cogging_orders),
        highest_order=min(bands, default=0),
        lines=None
        if seen is None or turns < LINE_TURNS
        else tuple(
            OrderValue(each.order, each.amplitude_nm) for each in seen.lines if each.phase == SLOW_TURN
        ),
        defects=None
        if seen is None or turns < DEFECT_TURNS
        else tuple(
            DefectValue(each.angle_deg, each.height_nm) for each in seen.defects if each.figure == COGGING
        ),
        temperatures_degc=dict(record.temperatures_degc),
        railed=None if seen is None else seen.railed,
        jumps=None if seen is None else seen.jumps,
        coverage=record.coverage,
        encoder_findings=findings,
    )


def _worked_out(figure: Figure | None) -> Figure | None:
    """A figure that has a value, believed or not."""
    return figure if figure is not None and figure.value is not None else None


def _value(figure: Figure | None) -> Value | None:
    if figure is None or figure.status != OK or figure.value is None:
        return None
    return Value(figure.value, figure.u_rep or 0.0, max(figure.nu_rep or 1.0, 1.0), figure.u_common or 0.0)


def _orders(table: Sequence[tuple[int, float, float, float]]) -> tuple[OrderValue, ...]:
    return tuple(OrderValue(float(order), *rest) for order, *rest in table)
