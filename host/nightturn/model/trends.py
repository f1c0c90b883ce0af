"""What is known of the course of a figure over the cycles of a run, as it comes back from where it was fitted."""

from typing import Literal

import msgspec

Urgency = Literal["note", "today", "act now"]
NOTE: Urgency = "note"
TODAY: Urgency = "today"
ACT_NOW: Urgency = "act now"
URGENCIES: tuple[Urgency, ...] = (NOTE, TODAY, ACT_NOW)
"""The least urgent first."""
STOP = "stop"


class Notice(msgspec.Struct, frozen=True):
    """What the course of a figure asks of people, as long as it stands.

    Attributes:
        figure, direction: which; empty and 0 where no figure changed and the unit or its torque signal did.
        condition: `change`, `slope` or `limit`; of no figure `temperature` or `signal`.
        urgency: one of `URGENCIES`. since_ts: since when it is that urgent, UTC ns. said: the sentence.
        because: of a change, what it is consistent with, what competes and what to measure next, sentences; empty where that was not asked.
    """

    figure: str
    direction: int
    condition: str
    urgency: Urgency
    since_ts: int
    said: str
    because: str = ""

    @property
    def key(self) -> tuple[str, int, str]:
        """What it is about."""
        return self.figure, self.direction, self.condition


class Changed(msgspec.Struct, frozen=True):
    """A change: another level from a cycle on (`step`), or a ramp from there on (`bend`).

    Attributes:
        cycle_no, strokes, ts: of the first cycle behind it, of a bend the last before its ramp; strokes of the unit's life, UTC ns.
        cycle_no_from, cycle_no_to, strokes_from, strokes_to, ts_from, ts_to: between which it lies with 90 %. A number is None where the cycle is of an earlier run.
        before, after: levels, of a bend before it and at the end, in the figure's unit; u_before, u_after: their standard uncertainties.
        placed: whether enough cycles lie behind it to say where it began. said: the sentence.
    """

    kind: str
    cycle_no: int | None
    strokes: int
    ts: int
    cycle_no_from: int | None
    cycle_no_to: int | None
    ts_from: int
    ts_to: int
    before: float
    u_before: float
    after: float
    u_after: float
    placed: bool
    said: str
    strokes_from: int | None = None
    strokes_to: int | None = None


class Rate(msgspec.Struct, frozen=True):
    """A slope along `strokes` or `hours`, per one of them, and the nearest limit that it leads to.

    Attributes:
        u: standard uncertainty; half: ± 95 %.
        limit, bound: in the figure's unit, `max` or `min`; None without one.
        not_before: with 95 % the limit is not reached before so many strokes or hours more; `capped` where nothing is said beyond.
        towards: whether the slope leads to it, or the level is there. said: what is left, a sentence; empty without a limit.
    """

    axis: str
    slope: float
    u: float
    half: float
    limit: float | None = None
    bound: str = ""
    not_before: float | None = None
    capped: bool = False
    towards: bool = False
    said: str = ""


class Because(msgspec.Struct, frozen=True):
    """What a change is consistent with: the causes that fit by their key in the table, best first, and what is said of them, sentences."""

    names: tuple[str, ...]
    said: tuple[str, ...]


class Warmed(msgspec.Struct, frozen=True):
    """What temperature does to a series beside its slope: N·m a kelvin with ± 95 %, rms of that over the blocks, and of what neither explains."""

    per_k: float
    half: float
    explained: float
    left: float

    @property
    def seen(self) -> bool:
        """Whether it does anything."""
        return abs(self.per_k) > self.half


class Rolled(msgspec.Struct, frozen=True):
    """Level and slope of a series that is followed without being watched: a family of orders, or strokes.

    Attributes:
        blocks: means of `length` cycles each that it rests on.
        value, u, strokes: of the newest block, in N·m, and strokes before it.
        level, level_half: at the newest whole block, ± 95 %; None without a slope. why_not: why there is none, in words.
        rates: along strokes and along hours, where there is a slope.
        degc: of the newest block; None without a reading. warmed: what temperature does, where it moved enough and stands beside the slope; None elsewhere.
    """

    figure: str
    direction: int
    blocks: int
    length: int
    value: float
    u: float
    strokes: int
    level: float | None = None
    level_half: float | None = None
    rates: tuple[Rate, ...] = ()
    why_not: str = ""
    degc: float | None = None
    warmed: Warmed | None = None

    def rate(self, axis: str) -> Rate | None:
        """Along strokes or hours."""
        return next((each for each in self.rates if each.axis == axis), None)


class Fitted(msgspec.Struct, frozen=True):
    """The course of one figure in one direction, up to a cycle.

    Attributes:
        cycles: that were judged.
        level, level_half: where it is, with its 95 % interval; None where that is not known.
        rates: along strokes and along hours, where there is a slope.
        changes: in order. said: how it goes on, sentences.
        fingerprint: the numeric environment it was worked out in.
        alarmed: whether a watch that begins with the first cycle has seen a change; said with `chart` only.
        because: what the newest change is consistent with; None where that was not asked.
        rolled: what is followed without being watched, where that was asked instead.
        model, chart: what temperature does, and that watch, where temperature was to be learned; packed, else empty.
    """

    cycles: int
    level: float | None
    level_half: float | None
    rates: tuple[Rate, ...]
    changes: tuple[Changed, ...]
    said: tuple[str, ...]
    fingerprint: str
    alarmed: bool = False
    model: bytes = b""
    chart: bytes = b""
    because: Because | None = None
    rolled: tuple[Rolled, ...] = ()

    def rate(self, axis: str) -> Rate | None:
        """Along strokes or hours."""
        return next((each for each in self.rates if each.axis == axis), None)
