"""Whole nights of which it is known what happened: every cycle as the estimators give it, from the first to the last.

What a cause does to forces, gains and temperatures is that of tests/evidence/stories.py; scatter, correlation and ± are the plant's (`measured`),
warm-up and day those of the demo's fixtures, from cold: 2 K of the unit's own heat within two hours, and a hall that sways by 1.5 K a day.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any
from zlib import crc32

import msgspec
import numpy as np
from tests.benchmarks.chain.measured import ALIKE_MAX, PLANT, course
from tests.evidence.stories import CYCLES as DRAWN
from tests.evidence.stories import Draws, Unit, cogging_of, cycle_of, gain_at, stories_of
from tests.storage.scenario import STARTED_NS

from nightturn.estimation.figures import COGGING_PP, FRICTION, MEAN_TORQUE, RIPPLE_PP, RIPPLE_RMS, ZERO
from nightturn.evidence import features as kinds
from nightturn.evidence.cycle_values import CycleValues, Value
from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.tiles import Float64s

CYCLES, CYCLE_S, STROKES = 200, 178, 16
"""The demo's plan for ten hours."""
ONSET = (120, 140)
"""What happens begins in one of these cycles: in a hall that sways the watch of both directions is armed by cycle 116."""
BETWEEN_S = 16 * 3600
HELD_NM = 5.0
OWN_HEAT_K, OWN_HEAT_S = 2.0, 2400.0
SWAY_K, DAY_S = 1.5, 86_400.0
SWAYS = ", sway"
SENSOR_K = 0.02
ZERO_NM_PER_K = 4e-4
"""Of the plant's amplifier: 0.1 mV a kelvin at 4 N·m a volt."""
SPALL_DRAG = 25.0
"""Share of the friction for each N·m of the bearing's line: pan-a2 of the demo goes from 88.6 to 112 mN·m with a line of 10.7 mN·m."""
SPALL_GROWS_H, LOOSENS_H, COOLS_H = 4.0, 2.0, 1.0
"""Time constants of the plant (`virtual.condition`)."""
KINDS = {
    kinds.FRICTION: FRICTION,
    kinds.ZERO: ZERO,
    kinds.MEAN_TORQUE: MEAN_TORQUE,
    kinds.RIPPLE: RIPPLE_PP,
    kinds.COGGING: COGGING_PP,
}
DEGREES = 10.0
"""Of freedom of a cycle's own scatter."""


@dataclass(frozen=True)
class Story:
    """A night: the state of unit and rig in every cycle, and what may be said of it.

    Attributes:
        onset: the cycle from 0 in which something begins; None where nothing does.
        right: causes that are right, fine: that may be named beside; no right one where nothing is to be said.
        ramps: the figure that goes straight from the onset to the end; empty without one.
        mounted: the cycle before which the unit was mounted again, on record, for another night; 0 without.
    """

    name: str
    unit_at: Callable[[int], Unit]
    onset: int | None = None
    right: frozenset[str] = frozenset()
    fine: frozenset[str] = field(default_factory=frozenset)
    ramps: str = ""
    mounted: int = 0

    @property
    def cycles(self) -> int:
        """Of the night, or of both nights."""
        return self.mounted + CYCLES


@dataclass(frozen=True)
class Night:
    """One draw of a story: true states, temperatures (cycles,) and figures, NaN where a cycle has none."""

    story: Story
    seed: int
    units: tuple[Unit, ...]
    degc: Float64s
    figures: dict[str, Float64s]

    def record(self, k: int) -> CycleRecord:
        """As the core gets it."""
        made = tuple(_figure(name, float(values[k])) for name, values in self.figures.items())
        between_s = BETWEEN_S if self.story.mounted and k >= self.story.mounted else 0
        begins = STARTED_NS + (k * CYCLE_S + between_s) * 10**9
        return CycleRecord(
            run="", epoch=0, cycle_no=k + 1, status="ok", direction=direction_of(k), record_first=0, record_last=0, index_first=0,
            index_last=0, ts_start=begins, ts_end=begins + CYCLE_S * 10**9, speed_rpm=5.0, setpoint_nm=HELD_NM, coverage=1.0,
            calibration_id="", config_digest="", sums_sha256="", fingerprint="", figures=made,
            temperatures_degc={"bearing": float(self.degc[k])},
        )  # fmt: skip

    @property
    def slope_nm(self) -> float:
        """What the figure that ramps gains a stroke, but for temperature."""
        story, onset = self.story, self.story.onset
        assert onset is not None
        last = replace(self.units[-1], degc=self.units[onset].degc)
        gains = [_true(unit, 1)[story.ramps] for unit in (self.units[onset], last)]
        return (gains[1] - gains[0]) / ((story.cycles - 1 - onset) * STROKES)

    def values(self, k: int) -> CycleValues:
        """As the table of causes gets it."""
        rng = np.random.default_rng([self.seed, crc32(self.story.name.encode()), k])
        still = dict.fromkeys(("friction", "zero", "held", "cogging", "degc"), 0.0)
        drawn = cycle_of(rng, self.units[k], k, still)
        own = {
            kind: Value(float(self.figures[name][k]), _u(name), DEGREES)
            for kind, name in KINDS.items()
            if np.isfinite(self.figures[name][k])
        }
        bridge = self.units[k].degc - 1.0 + SENSOR_K * float(rng.normal())
        return msgspec.structs.replace(
            drawn,
            start_s=float(k * CYCLE_S),
            direction=direction_of(k),
            figures=own,
            temperatures_degc={"bearing": float(self.degc[k]), "bridge": bridge},
        )


def direction_of(k: int) -> int:
    """Of the hold of a cycle."""
    return 1 if k % 2 == 0 else -1


def _u(name: str) -> float:
    return PLANT[name].u_nm


def _figure(name: str, value: float) -> Figure:
    if math.isnan(value):
        return Figure(name, None, status="not judged")
    return Figure(name, value, 2 * _u(name), DEGREES, u_rep=_u(name))


def drawn(story: Story, seed: int) -> Night:
    """A night of a story with its noise."""
    rng = np.random.default_rng([seed, crc32(story.name.encode())])
    cycles = story.cycles
    units = tuple(story.unit_at(k) for k in range(cycles))
    true = [_true(unit, direction_of(k)) for k, unit in enumerate(units)]
    figures = {name: np.full(cycles, np.nan) for name in PLANT}
    for name in PLANT:
        alike = float(rng.uniform(0.0, ALIKE_MAX))
        share = PLANT[name].sd_nm / PLANT[name].level_nm
        for first in (0, 1):
            noise = course(rng, alike, cycles // 2)
            for place, k in enumerate(range(first, cycles, 2)):
                off = PLANT[name].sd_nm if name == ZERO else share * true[k][name]
                figures[name][k] = true[k][name] + off * noise[place]
    _spoil(rng, units, figures)
    degc = np.array([each.degc for each in units]) + SENSOR_K * rng.normal(size=cycles)
    return Night(story, seed, units, degc, figures)


def _true(unit: Unit, direction: int) -> dict[str, float]:
    """What an ideal measurement would give, N·m."""
    friction = 0.0888 * unit.gain * unit.friction * (1 + unit.per_k * (unit.degc - 24.0))
    own = cogging_of(unit, unit.degc, 0.0)
    held = {16: 0.002 + unit.current_nm, 96: 0.004, 192: 0.0015}
    cogging, ripple = (
        [unit.gain * abs(each) * gain_at(order, unit.stiffness) for order, each in parts.items()]
        for parts in (own, {**own, **held})
    )
    return {
        FRICTION: friction,
        ZERO: unit.zero_nm + ZERO_NM_PER_K * (unit.degc - 24.0),
        MEAN_TORQUE: unit.gain * HELD_NM * unit.held - direction * friction,
        RIPPLE_PP: 2 * sum(ripple) + unit.place_nm + unit.gain * unit.spall_nm,
        RIPPLE_RMS: math.sqrt(sum(each**2 for each in (*ripple, unit.spall_nm)) / 2),
        COGGING_PP: 2 * sum(cogging) + unit.place_nm,
    }


def _spoil(rng: np.random.Generator, units: tuple[Unit, ...], figures: dict[str, Float64s]) -> None:
    """Figures of cycles whose torque signal jumps or rails: most are not judged, as in pan-b1 of the demo (67 of 91), the others scatter."""
    for k, unit in enumerate(units):
        if not unit.railed and unit.jumps < 3:
            continue
        for values in figures.values():
            lost = unit.railed or rng.random() < 0.5
            values[k] = np.nan if lost else values[k] * (1 + 0.002 * float(rng.normal()))


# ---- what happens -----------------------------------------------------------------------------------------------------
class Sequence:
    """The course of a night for one seed: the calm unit warms up in a hall that sways or is held, and something comes over it."""

    def __init__(self, seed: int, sway_k: float = SWAY_K) -> None:
        self.seed, self.draws = seed, Draws(seed)
        rng = np.random.default_rng([seed, 11])
        self.onset = int(rng.integers(*ONSET))
        self.rng, self._sway, self.sway_k = rng, float(rng.uniform(0.0, math.tau)), sway_k
        self.calm = self.draws.calm

    def kelvin(self, k: int) -> float:
        """What warm-up and day have added to the temperature."""
        at = k * CYCLE_S
        day = math.sin(self._sway + math.tau * at / DAY_S) - math.sin(self._sway)
        return OWN_HEAT_K * (1 - math.exp(-at / OWN_HEAT_S)) + self.sway_k * day

    def story(
        self, name: str, right: str, then: Callable[[float], dict[str, Any]], *fine: str, ramps: str = ""
    ) -> Story:
        """Fields of the unit from the onset on, by hours since then; nothing begins where no cause is right."""

        def unit_at(k: int) -> Unit:
            warm = replace(self.calm, degc=self.calm.degc + self.kelvin(k))
            if k < self.onset:
                return warm
            changed = then((k - self.onset) * CYCLE_S / 3600)
            return replace(warm, **{**changed, "degc": warm.degc + changed.get("degc", 0.0)})

        onset = self.onset if right else None
        return Story(name, unit_at, onset, frozenset({right} - {""}), frozenset(fine), ramps)


def _towards(hours: float, constant_h: float) -> float:
    return 1 - math.exp(-hours / constant_h)


def nights_of(seed: int) -> dict[str, Story]:
    """Every story with sizes of this seed."""
    made = (
        *_begun(Sequence(seed, 0.0)),
        *_thermal(seed),
        *(_swaying(each) for each in _begun(Sequence(seed))),
    )
    return {each.name: each for each in made}


def _begun(night: Sequence) -> tuple[Story, ...]:
    """Something begins, or nothing."""
    between = Draws(night.seed).between
    whole_h = (CYCLES - night.onset) * CYCLE_S / 3600
    worn, spall, chip = between(0.05, 0.10), between(0.004, 0.012), between(0.003, 0.008)
    place, loose = between(0.0, 0.02), between(0.4, 0.8)
    zero = night.draws.either() * between(0.01, 0.1)
    return (
        night.story("none", "", lambda _: {}),
        night.story("wear", "wear", lambda h: {"friction": 1 + worn * h / whole_h}, ramps=FRICTION),
        night.story("spall", "bearing", lambda h: _spalled(0.0004 + spall * _towards(h, SPALL_GROWS_H))),
        night.story("chip", "magnets", lambda _: {"chip_nm": chip, "place_nm": place}),
        night.story("coupling", "coupling", lambda h: {"stiffness": 1 - loose * _towards(h, LOOSENS_H)}),
        night.story(
            "zero drift",
            "zero drift",
            lambda h: {"zero_nm": 0.005 + zero * h / whole_h},
            ramps=ZERO,
        ),
        _cable(night),
    )


def _swaying(story: Story) -> Story:
    """The same in a hall that sways."""
    return replace(story, name=f"{story.name}{SWAYS}")


def _thermal(seed: int) -> tuple[Story, ...]:
    """What temperature does, and a mounting that is on record."""
    night = Sequence(seed)
    between, always = night.draws.between, night.draws.coin()
    half, phase = between(1.0, 2.0), between(0.0, math.tau)
    fine = ("colder", "zero with temperature")
    return (
        night.story("cooling 4 K", "", lambda h: {"degc": -4 * _towards(h, COOLS_H)}, *fine),
        _warm_up(night),
        _remount(night),
        _air_conditioning(night, half, phase, always=always),
    )


def _spalled(height_nm: float) -> dict[str, float]:
    return {"spall_nm": height_nm, "friction": 1 + SPALL_DRAG * height_nm}


def _cable(night: Sequence) -> Story:
    of = stories_of(night.seed)["cable"]
    signs = ("jumps", "railed")

    def unit_at(k: int) -> Unit:
        warm = replace(night.calm, degc=night.calm.degc + night.kelvin(k))
        if k < night.onset:
            return warm
        now = of.now(k)
        return replace(warm, **{name: getattr(now, name) for name in signs})

    return Story("cable", unit_at, night.onset, frozenset({"cable"}))


def _warm_up(night: Sequence) -> Story:
    """Behind a cold night: 6 K within some hours, instead of 2."""

    def unit_at(k: int) -> Unit:
        cold = -4 * math.exp(-k * CYCLE_S / 5400)
        return replace(night.calm, degc=night.calm.degc + night.kelvin(k) + cold)

    return Story(
        "warm-up", unit_at, None, frozenset(), frozenset({"warmer", "zero with temperature", "run-in"})
    )


def _remount(night: Sequence) -> Story:
    """A night, then mounted again, which is on record, and another night from cold."""
    calm, rng = night.calm, night.rng
    turn = complex(np.exp(1j * rng.uniform(0, math.tau)))
    again = replace(
        calm,
        zero_nm=calm.zero_nm + night.draws.either() * float(rng.uniform(0.004, 0.02)),
        shaft=calm.shaft + float(rng.uniform(0.0015, 0.004)) * turn,
        turned_deg=float(rng.uniform(0.1, 1.1)),
        friction=1 + 0.004 * float(rng.normal()),
        field=1 + 0.005 * float(rng.normal()),
    )

    def unit_at(k: int) -> Unit:
        unit, at = (calm, k) if k < CYCLES else (again, k - CYCLES)
        return replace(unit, degc=unit.degc + night.kelvin(at))

    return Story("remount", unit_at, None, mounted=CYCLES)


def _air_conditioning(night: Sequence, half_k: float, phase: float, *, always: bool) -> Story:
    def unit_at(k: int) -> Unit:
        swings = always or k >= night.onset
        swing = half_k * math.sin(phase + math.tau * k * CYCLE_S / 2400) if swings else 0.0
        return replace(night.calm, degc=night.calm.degc + night.kelvin(k) + swing)

    return Story("air conditioning", unit_at, None, frozenset(), frozenset({"room"}))


assert ONSET[0] >= DRAWN  # so many cycles lie before it
