"""What moved between a baseline and now, and what could be seen at all: the only thing that rules look at."""

from typing import NamedTuple

import msgspec

from nightturn.evidence.chances import t_chance, t_reach

LEVEL = 0.01
"""Chance that anything at all counts as moved where nothing has, over all features looked at together."""

# Kinds of features; a rule names them.
FRICTION, BEYOND, FOLLOWS, BREAKAWAY = (
    "friction",
    "friction beyond temperature",
    "friction with temperature",
    "breakaway",
)
ZERO, MEAN_TORQUE, GAIN = "zero", "mean torque", "torque gain"
RIPPLE, COGGING = "ripple", "cogging"
LCM, TILT, SLOTS, POLES = "cogging order", "order tilt", "slot orders", "pole orders"
SIDEBANDS, SIDE_LINES, ELECTRICAL, SHAFT = "sidebands", "side lines", "electrical orders", "shaft orders"
BEARING, OTHER_LINE, DEFECT = "bearing line", "other line", "defect"
PATTERN_ANGLE, LAG = "pattern angle", "lag"
TEMPERATURE, BRIDGE_TEMPERATURE, SWING = "temperature", "bridge temperature", "temperature swing"
RAILED, JUMPS, LOCKED = "railed samples", "jumping samples", "locked to angle"
COVERAGE, ENCODER = "coverage", "encoder findings"

# What is known to have been done between baseline and now.
REMOUNT, OTHER_RIG, CALIBRATION, NO_REFERENCE = "remount", "other rig", "calibration", "no angle reference"
INTERVENTIONS = {
    REMOUNT: "the unit was mounted again in between",
    OTHER_RIG: "the unit was measured on another rig",
    CALIBRATION: "another calibration record was in force",
    NO_REFERENCE: "the encoder's zero was lost in between",
}


class Kind(NamedTuple):
    """A kind of feature: what it is called in a sentence, and its unit."""

    title: str
    unit: str


KINDS: dict[str, Kind] = {
    FRICTION: Kind("running friction", "N·m"),
    BEYOND: Kind("running friction beyond what temperature explains", "N·m"),
    FOLLOWS: Kind("running friction within these cycles", "%"),
    BREAKAWAY: Kind("breakaway torque", "N·m"),
    ZERO: Kind("zero of the torque channel", "N·m"),
    MEAN_TORQUE: Kind("torque held, friction added", "N·m"),
    GAIN: Kind("torque held, cogging and friction together", "%"),
    RIPPLE: Kind("torque ripple", "N·m"),
    COGGING: Kind("cogging, peak to peak", "N·m"),
    LCM: Kind("cogging order", "N·m"),
    TILT: Kind("second multiple of the cogging order against the first", "%"),
    SLOTS: Kind("orders at multiples of the slots", "N·m"),
    POLES: Kind("orders at multiples of the poles", "N·m"),
    SIDEBANDS: Kind("sidebands of the cogging order", "N·m"),
    SIDE_LINES: Kind("side lines one order beside the cogging order", "N·m"),
    ELECTRICAL: Kind("orders of the current", "N·m"),
    SHAFT: Kind("orders 1 and 2", "N·m"),
    BEARING: Kind("line of a bearing", "N·m"),
    OTHER_LINE: Kind("torque at an order that nothing declared has", "N·m"),
    DEFECT: Kind("deviation at one angle", "N·m"),
    PATTERN_ANGLE: Kind("angle of the cogging pattern", "degrees"),
    LAG: Kind("lag between the directions", "degrees"),
    TEMPERATURE: Kind("temperature of the unit", "°C"),
    BRIDGE_TEMPERATURE: Kind("temperature of the bridge", "°C"),
    SWING: Kind("temperature to and fro", "K"),
    RAILED: Kind("samples at the end of the range", "a cycle"),
    JUMPS: Kind("jumps of the torque signal", "a cycle"),
    LOCKED: Kind("jumps at one angle", ""),
    COVERAGE: Kind("share of the samples that arrived", "%"),
    ENCODER: Kind("findings of the encoder", "a cycle"),
}


class Feature(msgspec.Struct, frozen=True):
    """One thing that was looked at, before and now.

    Attributes:
        kind: one of `KINDS`; name: what it is where a kind has several, as a line of a bearing.
        before, now, change: in the unit of its kind.
        u, nu: standard uncertainty of the change, and its degrees of freedom.
        chance: of a change as large where nothing has changed; None: it follows from change, u and nu.
        matters: the smallest change of interest; one that could not have been noticed does not count as "not moved". None: any.
        at: where it is now: an order, an angle in degrees or a period in minutes.
        unseen: why nothing can be said of it; empty where it was seen.
    """

    kind: str
    name: str = ""
    before: float = 0.0
    now: float = 0.0
    change: float = 0.0
    u: float = 0.0
    nu: float = 1.0
    chance: float | None = None
    matters: float | None = None
    at: float | None = None
    unseen: str = ""

    @property
    def seen(self) -> bool:
        """Whether anything can be said of it."""
        return not self.unseen

    @property
    def by_chance(self) -> float:
        """Chance of a change as large where nothing has changed."""
        if self.chance is not None:
            return self.chance
        if self.u <= 0:
            return 0.0 if self.change else 1.0
        return t_chance(self.change / self.u, self.nu)

    @property
    def sign(self) -> int:
        """+1 up, -1 down, 0 neither."""
        return (self.change > 0) - (self.change < 0)


class Features(msgspec.Struct, frozen=True):
    """Everything that was looked at between a baseline and now.

    Attributes:
        looked: what was looked at; a kind that is not in it was not seen.
        known: interventions between the two, of `INTERVENTIONS`.
        cycles_before, cycles_now: how many cycles each rests on.
        level: chance that any feature counts as moved where none has.
    """

    looked: tuple[Feature, ...]
    known: tuple[str, ...] = ()
    cycles_before: int = 0
    cycles_now: int = 0
    level: float = LEVEL

    @property
    def level_each(self) -> float:
        """The level of one feature, so that all together keep theirs (C. E. Bonferroni's inequality)."""
        return self.level / max(sum(each.seen for each in self.looked), 1)

    def moved(self) -> tuple[Feature, ...]:
        """Features that changed beyond their uncertainty, in their order."""
        level = self.level_each
        return tuple(each for each in self.looked if each.seen and each.by_chance < level)

    def seen(self, kind: str) -> bool:
        """Whether anything can be said of a kind."""
        return any(each.seen for each in self.looked if each.kind == kind)

    def unsure(self, kind: str) -> str:
        """Why nobody can say that a kind has not moved; empty where one that matters would have been noticed."""
        of_kind = [each for each in self.looked if each.kind == kind]
        if not of_kind:
            return "not looked at"
        level = self.level_each
        for each in of_kind:
            if not each.seen:
                return each.unseen
            if each.matters is not None and each.u > 0 and t_reach(level, each.nu) * each.u > each.matters:
                return "known too coarsely"
        return ""
