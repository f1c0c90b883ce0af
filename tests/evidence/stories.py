"""Invented nights of which it is known what happened: cycles before and after, drawn anew for every seed.

Nothing here knows the rules. What a cause does to a figure is written as the plant would do it (forces, gains, temperatures), not as a
feature that a rule asks for.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from zlib import crc32

import numpy as np

from nightturn.evidence.cycle_values import CycleValues, Declared, DefectValue, OrderValue, Value
from nightturn.evidence.features import BREAKAWAY, COGGING, FRICTION, MEAN_TORQUE, REMOUNT, RIPPLE, ZERO

CYCLE_S = 405.0
CYCLES = 20
PAIRS, SLOTS = 16, 36
COGGING_ORDER = 288
BEARING = (
    ("bearing front, cage", 0.455),
    ("bearing front, outer race", 10.01),
    ("bearing front, inner race", 11.99),
    ("bearing front, ball", 11.02),
)
DECLARED = Declared(PAIRS, SLOTS, BEARING)
RESONANCE_HZ, SPEED_RPM, DAMPING = 92.0, 5.0, 0.05
GATE, FLOOR_NM = 4.0, 0.0008
"""An order of the table has four times its uncertainty; a line between whole orders this much."""


@dataclass
class Unit:
    """The state of a unit and its rig in one cycle."""

    degc: float = 24.0
    friction: float = 1.0
    per_k: float = -0.008
    zero_nm: float = 0.005
    gain: float = 1.0
    held: float = 1.0
    field: float = 1.0
    stiffness: float = 1.0
    shaft: complex = 0.002 + 0.001j
    turned_deg: float = 0.0
    spall_nm: float = 0.0004
    chip_nm: float = 0.0
    chip_seed: int = 0
    stator_nm: float = 0.0
    current_nm: float = 0.0
    place_nm: float = 0.0
    side_nm: float = 0.0
    belt_nm: float = 0.0
    jumps: int = 0
    railed: int = 0
    bend_deg: float | None = None
    encoder: int = 0
    lost: float = 0.0


@dataclass(frozen=True)
class Story:
    """What happens, by cycle, and which causes may be named for it; `known` is on record."""

    name: str
    before: Callable[[int], Unit]
    now: Callable[[int], Unit]
    right: frozenset[str]
    known: tuple[str, ...] = ()
    fine: frozenset[str] = field(default_factory=frozenset)


def told(story: Story, seed: int, cycles: int = CYCLES) -> tuple[list[CycleValues], list[CycleValues]]:
    """The cycles of a story, with their noise."""
    rng = np.random.default_rng([seed, crc32(story.name.encode())])
    courses = [_courses(rng, cycles) for _ in range(2)]
    groups = [
        [
            cycle_of(
                rng, tell(k), k + at * 4 * cycles, {name: float(course[k]) for name, course in own.items()}
            )
            for k in range(cycles)
        ]
        for at, (tell, own) in enumerate(zip((story.before, story.now), courses, strict=True))
    ]
    return groups[0], groups[1]


def _courses(
    rng: np.random.Generator, cycles: int
) -> dict[str, "np.ndarray[tuple[int], np.dtype[np.float64]]"]:
    """What scatters from cycle to cycle and is like its neighbour: correlation 0.4."""
    out = {}
    for name in ("friction", "zero", "held", "cogging", "degc"):
        noise = rng.normal(size=cycles + 20)
        for k in range(1, len(noise)):
            noise[k] = 0.4 * noise[k - 1] + math.sqrt(1 - 0.16) * noise[k]
        out[name] = noise[20:]
    return out


def gain_at(order: int, stiffness: float) -> float:
    """What the compliant mount makes of an order."""
    r = order * SPEED_RPM / 60 / (RESONANCE_HZ * math.sqrt(stiffness))
    return 1 / abs(complex(1 - r * r, 2 * DAMPING * r))


def cycle_of(rng: np.random.Generator, unit: Unit, k: int, noise: dict[str, float]) -> CycleValues:
    degc = unit.degc + 0.15 * noise["degc"]
    direction = 1 if k % 2 else -1
    friction = 0.093 * unit.friction * (1 + unit.per_k * (degc - 24.0)) * (1 + 0.004 * noise["friction"])
    hit = unit.jumps >= 3 or unit.railed > 0
    orders, held = _tables(rng, unit, degc, spoilt=hit, noise=noise["cogging"])
    size = 2 * sum(each.amplitude_nm for each in orders) + unit.place_nm
    spoil = 1 + (0.3 * float(rng.normal()) if hit else 0.0)
    figures = {
        FRICTION: Value(unit.gain * friction * (1 + 0.1 * (spoil - 1)), 0.0003, 10, 0.0002),
        BREAKAWAY: Value(unit.gain * friction * 1.3 * (1 + 0.01 * float(rng.normal())), 0.002, 8),
        ZERO: Value(unit.zero_nm + 4e-4 * (degc - 24) + 5e-4 * noise["zero"] + 0.02 * (spoil - 1), 3e-4, 10),
        MEAN_TORQUE: Value(
            unit.gain * (5.0 * unit.held * (1 + 2e-4 * noise["held"]) - direction * friction),
            0.001,
            10,
            0.004,
        ),
        RIPPLE: Value((size + 0.02) * spoil * (1 + 0.01 * float(rng.normal())), 6e-4, 8),
        COGGING: Value(size * spoil * (1 + 0.01 * float(rng.normal())), 5e-4, 8),
    }
    if unit.railed:  # a signal at the end of its range: peak to peak is not judged
        del figures[RIPPLE], figures[COGGING]
    jumps = unit.jumps or (int(rng.integers(1, 3)) if rng.random() < 0.02 else 0)
    return CycleValues(
        start_s=k * CYCLE_S,
        direction=direction,
        speed_rpm=SPEED_RPM,
        setpoint_nm=5.0,
        figures=figures,
        hold_orders=held,
        cogging_orders=orders,
        highest_order=800,
        lines=_lines(rng, unit),
        defects=_defects(rng, unit),
        temperatures_degc={"bearing": degc, "bridge": degc - 1.0 + 0.05 * float(rng.normal())},
        railed=unit.railed,
        jumps=jumps,
        jump_angles_deg=_angles(rng, unit, jumps),
        coverage=1.0 - unit.lost - (1e-5 if rng.random() < 0.05 else 0.0),
        encoder_findings=unit.encoder,
    )


def _angles(rng: np.random.Generator, unit: Unit, jumps: int) -> tuple[float, ...]:
    if unit.bend_deg is None:
        return tuple(float(each) for each in rng.uniform(0, 360, jumps))
    return tuple(float(each) % 360 for each in rng.normal(unit.bend_deg, 8.0, jumps))


def _tables(
    rng: np.random.Generator, unit: Unit, degc: float, *, spoilt: bool, noise: float
) -> tuple[tuple[OrderValue, ...], tuple[OrderValue, ...]]:
    """Orders as complex amplitudes with noise; what does not stand out is not in the table."""
    own = cogging_of(unit, degc, noise)
    if unit.spall_nm > FLOOR_NM and rng.random() < 0.5:
        own[10] = own.get(10, 0.0) + 0.3 * unit.spall_nm
    held: dict[int, complex] = {16: 0.002 + unit.current_nm, 96: 0.004, 192: 0.0015}
    turned = math.radians(unit.turned_deg)

    def table(parts: dict[int, complex]) -> tuple[OrderValue, ...]:
        out = []
        for order in sorted(parts):
            u = 1.5e-4 * (8.0 if spoilt else 1.0)
            seen = unit.gain * parts[order] * gain_at(order, unit.stiffness) * np.exp(1j * order * turned)
            seen = complex(seen + u * complex(rng.normal(), rng.normal()))
            if abs(seen) > GATE * u:
                out.append(OrderValue(order, abs(seen), math.atan2(seen.imag, seen.real), u))
        return tuple(out)

    return table(own), table({**own, **held})


def cogging_of(unit: Unit, degc: float, noise: float) -> dict[int, complex]:
    """Complex amplitudes of the unpowered torque."""
    field = unit.field * (1 - 0.002 * (degc - 24.0)) * (1 + 0.003 * noise)
    own: dict[int, complex] = {
        1: unit.shaft,
        2: 0.0015j,
        32: 0.003,
        36: 0.004,
        288: 0.0214 * field,
        576: 0.0083 * field,
    }
    if unit.chip_nm:
        chip = np.random.default_rng(unit.chip_seed)
        # One magnet of 32 differs: its own passing of the slots stays over at every multiple of the slots, and its turn at the sidebands.
        for multiple in range(1, 8):
            phase = complex(np.exp(2j * np.pi * chip.random()))
            own[36 * multiple] = own.get(36 * multiple, 0.0) + unit.chip_nm * 0.75 ** (multiple - 1) * phase
        own[288] *= 1 - unit.chip_nm / 0.5
        for beside in (-3, -2, -1, 1, 2, 3):
            own[288 + beside] = 0.2 * unit.chip_nm * complex(np.exp(2j * np.pi * chip.random()))
    if unit.stator_nm:
        for multiple in (2, 3, 4, 5):
            own[32 * multiple + 32] = own.get(32 * multiple + 32, 0.0) + unit.stator_nm * 0.8**multiple
    if unit.side_nm:
        for beside in (-1, 1):
            own[288 + beside] = own.get(288 + beside, 0.0) + unit.side_nm
    return own


def _lines(rng: np.random.Generator, unit: Unit) -> tuple[OrderValue, ...]:
    out = []
    slip = 10.01 * (1 - 0.008)
    for order, size in ((slip, unit.spall_nm), (5.37, unit.belt_nm)):
        seen = abs(size + 2e-4 * float(rng.normal()))
        if seen > FLOOR_NM:
            out.append(OrderValue(order + 0.005 * float(rng.normal()), seen, 0.0, 2e-4))
    if rng.random() < 0.01:  # one in a hundred cycles of nothing but noise shows one somewhere
        out.append(OrderValue(float(rng.uniform(1, 400)), 0.001, 0.0, 2e-4))
    return tuple(out)


def _defects(rng: np.random.Generator, unit: Unit) -> tuple[DefectValue, ...]:
    height = unit.place_nm
    found = height + 1e-3 * float(rng.normal()) > 0.005
    if found:
        return (DefectValue(131.0 + 0.3 * float(rng.normal()), height),)
    if rng.random() < 0.002:
        return (DefectValue(float(rng.uniform(0, 360)), 0.006),)
    return ()


# ---- what happens -----------------------------------------------------------------------------------------------------
class Draws:
    """What the stories of one seed are drawn from: a calm unit, and how a change comes over it."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.rng = np.random.default_rng([seed, 7])
        self.calm = Unit(per_k=-self.between(0.005, 0.011), degc=self.between(21, 27), chip_seed=seed)

    def between(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def either(self) -> float:
        return float(self.rng.choice((-1.0, 1.0)))

    def coin(self) -> bool:
        return bool(self.rng.integers(2))

    def grown(self, **ends: float) -> Callable[[int], Unit]:
        """Growth to these ends over the first half of now, or at once."""
        over = int(self.rng.integers(1, CYCLES // 2))
        begin = {name: getattr(self.calm, name) for name in ends}
        return lambda k: replace(
            self.calm,
            **{
                name: begin[name] + (end - begin[name]) * min((k + 1) / over, 1.0)
                for name, end in ends.items()
            },
        )

    def story(self, name: str, now: Callable[[int], Unit], right: str, *fine: str) -> Story:
        """A story behind a calm baseline."""
        return Story(name, lambda _: self.calm, now, frozenset({right}), (), frozenset(fine))


def stories_of(seed: int) -> dict[str, Story]:
    """Every story with sizes of this seed."""
    draws = Draws(seed)
    return {each.name: each for each in (*_asked(draws), *_further(draws))}


def _asked(draws: Draws) -> tuple[Story, ...]:
    """The stories that the table must read."""
    calm, between, grown, story = draws.calm, draws.between, draws.grown, draws.story
    spall = between(0.002, 0.006)
    return (
        story("none", lambda _: calm, "nothing moved"),
        story("wear", grown(friction=between(1.05, 1.1)), "wear"),
        story("spall", grown(spall_nm=spall, friction=1 + 8 * spall), "bearing"),
        story("chip", grown(chip_nm=between(0.003, 0.008), place_nm=between(0.0, 0.02)), "magnets"),
        story("coupling", grown(stiffness=between(0.2, 0.6)), "coupling"),
        story("zero drift", grown(zero_nm=draws.either() * between(0.01, 0.1)), "zero drift"),
        story("cable", _cable(calm, draws.seed, None), "cable"),
        story("cooling 4 K", grown(degc=calm.degc - 4), "colder", "zero with temperature"),
        _warm_up(calm, up=draws.coin()),
        _remount(draws, known=draws.coin()),
        _air_conditioning(draws, always=draws.coin()),
    )


def _further(draws: Draws) -> tuple[Story, ...]:
    """Stories of the other rows."""
    calm, between, grown, story = draws.calm, draws.between, draws.grown, draws.story
    return (
        story("cable flexing", _cable(calm, draws.seed, between(0, 360)), "cable flexing"),
        story("over range", _railed(calm, draws.seed), "over range"),
        story("run-in", grown(friction=between(0.9, 0.95)), "run-in"),
        story("stator", grown(stator_nm=between(0.005, 0.01)), "slots"),
        story("out of centre", grown(side_nm=between(0.0015, 0.004)), "out of centre"),
        story("one place", grown(place_nm=between(0.01, 0.03)), "one place"),
        story("current", grown(current_nm=between(0.002, 0.006)), "current"),
        story("field", grown(field=between(0.88, 0.94)), "field"),
        story("torque gain", grown(gain=between(1.015, 1.04)), "torque gain", "mean torque"),
        story("held torque", grown(held=between(0.96, 0.985)), "held torque", "mean torque"),
        story("encoder moved", lambda _: replace(calm, turned_deg=0.4), "encoder moved"),
        story("encoder", lambda k: replace(calm, encoder=k % 3), "encoder"),
        story("lost samples", lambda k: replace(calm, lost=0.01 + 0.001 * (k % 5)), "lost samples"),
        story("belt", grown(belt_nm=between(0.002, 0.006)), "other line"),
    )


def _cable(calm: Unit, seed: int, bend_deg: float | None) -> Callable[[int], Unit]:
    def now(k: int) -> Unit:
        rng = np.random.default_rng([seed, k, 3])
        if rng.random() > 0.7:
            return calm
        railed = int(rng.geometric(0.05)) if rng.random() < 0.5 else 0
        return replace(calm, jumps=3 + int(rng.geometric(0.1)), railed=railed, bend_deg=bend_deg)

    return now


def _railed(calm: Unit, seed: int) -> Callable[[int], Unit]:
    return lambda k: replace(calm, railed=int(np.random.default_rng([seed, k]).geometric(0.02)))


def _warm_up(calm: Unit, *, up: bool) -> Story:
    """A unit that warms up by 6 K: behind a cold baseline, or cold behind a warm one."""
    rise = [6 * (1 - math.exp(-k / 8)) for k in range(CYCLES)]
    warming = lambda k: replace(calm, degc=calm.degc + rise[k])  # noqa: E731 - one of two courses
    other = calm if up else replace(calm, degc=calm.degc + 6)
    right = "warmer" if up else "colder"
    return Story(
        "warm-up", lambda _: other, warming, frozenset({right}), (), frozenset({"zero with temperature"})
    )


def _remount(draws: Draws, *, known: bool) -> Story:
    calm, rng = draws.calm, draws.rng
    again = replace(
        calm,
        zero_nm=calm.zero_nm + draws.either() * float(rng.uniform(0.004, 0.02)),
        shaft=calm.shaft + float(rng.uniform(0.0015, 0.004)) * complex(np.exp(1j * rng.uniform(0, math.tau))),
        turned_deg=float(rng.uniform(0.1, 1.1)),
        friction=1 + 0.004 * float(rng.normal()),
        field=1 + 0.005 * float(rng.normal()),
    )
    right = frozenset({"remount" if known else "mount moved"})
    return Story("remount", lambda _: calm, lambda _: again, right, (REMOUNT,) if known else ())


def _air_conditioning(draws: Draws, *, always: bool) -> Story:
    calm, rng = draws.calm, draws.rng
    half, begin = float(rng.uniform(1.0, 2.0)), float(rng.uniform(0, math.tau))
    swing = lambda k: replace(calm, degc=calm.degc + half * math.sin(begin + math.tau * k * CYCLE_S / 2400))  # noqa: E731 - one of two courses
    return Story("air conditioning", swing if always else lambda _: calm, swing, frozenset({"room"}))
