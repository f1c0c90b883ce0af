"""Nights of the virtual plant, through the estimators: samples that know nothing of evidence, and figures as a night has them."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import msgspec
import numpy as np
from tests.estimation.plant_cycles import plant_cycle
from tests.estimation.synthetic import cycles_of

from nightturn.estimation.finish import finish_cycle
from nightturn.evidence.cycle_values import CycleValues, Declared
from nightturn.model.figures import CycleRecord
from nightturn.storage.datasets import cycles_table
from nightturn.unit_history.causes import cycle_values
from nightturn.virtual.noise import Cable
from nightturn.virtual.products import PAN15, Product

CYCLES = 12
CYCLE_S = 405.0
HOURS_BETWEEN = 6.0
DECLARED = Declared(16, 36, (("bearing front, outer race", 10.01), ("bearing front, inner race", 11.99)))


@dataclass(frozen=True)
class PlantStory:
    """What becomes of the product in the cycles of now; which causes may be named."""

    name: str
    right: frozenset[str]
    product: Callable[[int], Product] = lambda _: PAN15
    spall: Callable[[int], float] = lambda _: 0.0
    cable: float = 0.0
    fine: frozenset[str] = frozenset()


def values_of(record: CycleRecord) -> CycleValues:
    """A record as it is read back from the store."""
    (row,) = cycles_table([record]).to_pylist()
    return cycle_values(row, 0)


def _worn(k: int) -> Product:
    grown = 1 + 0.07 * min((k + 1) / 4, 1.0)
    return replace(PAN15, friction=replace(PAN15.friction, coulomb_nm=0.08 * grown, static_nm=0.11 * grown))


def _ambient(kelvin: float) -> Callable[[int], Product]:
    heat = PAN15.heat
    return lambda _: replace(PAN15, heat=replace(heat, ambient_degc=heat.ambient_degc + kelvin))


def _drifted(k: int) -> Product:
    return replace(PAN15, bridge=replace(PAN15.bridge, zero_v=PAN15.bridge.zero_v + 0.002 * (k + 1)))


def _softer(_: int) -> Product:
    return replace(PAN15, stiffness_nm_per_rad=PAN15.stiffness_nm_per_rad * 0.1)


def _chipped(_: int) -> Product:
    odd = {36 * times: 0.005 * 0.75 ** (times - 1) for times in range(2, 8)}
    return replace(PAN15, cogging=tuple({**dict(PAN15.cogging), **odd, 36: 0.007}.items()))


STORIES = (
    PlantStory("none", frozenset({"nothing moved"})),
    PlantStory("wear", frozenset({"wear"}), product=_worn),
    PlantStory("spall", frozenset({"bearing"}), spall=lambda k: 0.02 * (k + 1)),
    PlantStory("chip", frozenset({"magnets"}), product=_chipped),
    PlantStory("coupling", frozenset({"coupling"}), product=_softer),
    PlantStory("zero drift", frozenset({"zero drift"}), product=_drifted),
    PlantStory("cable", frozenset({"cable"}), cable=1.0),
    PlantStory(
        "cooling 4 K",
        frozenset({"colder"}),
        product=_ambient(-4.0),
        fine=frozenset({"zero with temperature"}),
    ),
)


def plant_night(
    story: PlantStory, seed: int, cycles: int = CYCLES
) -> tuple[list[CycleValues], list[CycleValues]]:
    """Cycles of a sound unit, and those of the story."""
    sound = PlantStory("sound", frozenset())
    before = [_cycle(sound, k, [seed, 0, k]) for k in range(cycles)]
    return before, [_cycle(story, k, [seed, 1, k]) for k in range(cycles)]


def _cycle(story: PlantStory, k: int, seeds: list[int]) -> CycleValues:
    rng = np.random.default_rng(seeds)
    seed = int(rng.integers(1, 2**31))
    # What the plant does not do from cycle to cycle: friction of a unit scatters, and its room is not quite even.
    kelvin = 0.15 * float(rng.normal())
    product = _scattered(story.product(k), kelvin, 1 + 0.003 * float(rng.normal()))
    made = plant_cycle(
        product,
        seed=seed,
        rpm=6.0,
        spall=story.spall(k),
        cable=Cable(seed, story.cable) if story.cable else None,
    )
    bench = made.recording.bench
    (sums,) = cycles_of(made.recording)
    start_ns = round((seeds[1] * HOURS_BETWEEN * 3600 + k * CYCLE_S) * 1e9)
    record = finish_cycle(sums, bench.conditions(bearings=DECLARED.bearings), 0, 0, start_ns, start_ns)
    degc = product.heat.ambient_degc
    measured = {
        "bearing": degc + 0.05 * float(rng.normal()),
        "bridge": degc + 0.05 * float(rng.normal()),
    }
    values = values_of(msgspec.structs.replace(record, temperatures_degc=measured))
    return msgspec.structs.replace(values, encoder_findings=0)


def _scattered(product: Product, kelvin: float, friction: float) -> Product:
    parts = product.friction
    return replace(
        product,
        friction=replace(parts, coulomb_nm=parts.coulomb_nm * friction, static_nm=parts.static_nm * friction),
        heat=replace(product.heat, ambient_degc=product.heat.ambient_degc + kelvin, ambient_swing_k=0.0),
    )


assert math.isclose(PAN15.bearing_order, DECLARED.bearings[0][1])
