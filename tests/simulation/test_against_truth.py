"""The whole chain from virtual plant to figures, against what the plant's own parameters say, inside fixed bounds."""

import asyncio
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

import msgspec
import numpy as np
import pytest
from tests.simulation.scene import FAST, Scene, open_scene, run, settings_of
from tests.simulation.tapes import records_of

from nightturn.bench.virtual_port import VirtualPort
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.records import Emit, Host, Record
from nightturn.settings.rig import CyclePlan, Exercise, Hold, SlowTurn
from nightturn.transport.port import OnBytes, OnLost
from nightturn.virtual.catalogue import from_spec
from nightturn.virtual.condition import levels_at
from nightturn.virtual.device import VirtualDevice
from nightturn.virtual.products import PRODUCTS
from nightturn.virtual.truth import truth
from nightturn_protocol.framing import Deframer, to_wire
from nightturn_protocol.messages import Block

# Worst errors allowed. Peak-to-peak: what is left of the plant's 0.4 mN·m of hum and 1 mN·m of white noise a sample at
# 40 000 samples a pass and more, times the noise of the case. Friction: twice the plant's 1/f noise of 0.25 mN·m rms.
PP_BOUND, PP_BOUND_NM = 0.01, 0.0004
FRICTION_BOUND, FRICTION_BOUND_NM = 0.01, 0.0005
ZERO_BOUND_NM = 0.002
TEMPERATURE_BOUND_K = 0.3  # channels are read once a second, the truth too
ROLES = ("bearing", "housing", "winding")
TRIED, TRIED_SHARE = ("_pp_", "ripple_pct"), 0.2
"""A peak-to-peak is an expectation over trials on a grid of angles: mirrored, it is the same within a fifth of its u."""
OF_MORE_STROKES = ("coulomb_nm", "viscous_nm_s_per_rad", "breakaway_nm")
"""Figures that the few strokes of these plans cannot give."""


@dataclass(frozen=True)
class Case:
    """A product at a speed, with a seed, more or less noise and lost blocks."""

    spec: str
    rpm: float
    cycles: int = 2
    lost: float = 0.0
    sense: Literal[1, -1] = 1

    @property
    def product(self) -> str:
        return self.spec.partition("?")[0]

    @property
    def noise(self) -> float:
        """Times the product's own."""
        return from_spec(self.spec).unit.noise

    @property
    def polarity(self) -> Literal[1, -1]:
        """How the bridge is wired, and declared."""
        return -1 if "polarity=-1" in self.spec else 1


SHORT_RING = "ring_bytes=2048"
"""Less than half a second: a block that never arrives has left the ring before motion waits for it."""
SHORT = (
    Case("pan15?seed=11", rpm=5.0),
    Case(f"pan15?seed=12&noise=2&delay_ms=8&{SHORT_RING}", rpm=6.5, lost=0.01),
    Case(f"pan20?seed=13&drift_ppm=80&{SHORT_RING}", rpm=5.5, lost=0.003),
    Case("pan2?seed=14&noise=0.5&zero_mv=-40", rpm=4.5),
    Case(f"pan15?seed=15&fault=spall@0s*3&polarity=-1&{SHORT_RING}", rpm=5.0, lost=0.005, sense=-1),
)
LONG = tuple(
    Case(f"{product}?seed={seed}&noise={noise:g}&{SHORT_RING}", rpm=rpm, cycles=4, lost=lost)
    for product, rpm in (("pan15", 3.0), ("pan20", 4.0), ("pan2", 3.5))
    for seed, noise, lost in ((21, 1.0, 0.0), (22, 3.0, 0.01), (23, 0.3, 0.03))
)


class Holed:
    """A port on which some blocks never arrive, however often they are asked for."""

    def __init__(self, port: VirtualPort, share: float, seed: int) -> None:
        self.name = port.name
        self._port = port
        self._share = share
        self._seed = seed
        self._deframer = Deframer()

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        def some(stamp_ns: int, content: bytes) -> None:
            bodies = self._deframer.receive_bytes(content)
            on_bytes(stamp_ns, b"".join(to_wire(body) for body in bodies if not self._lost(body)))

        self._port.open(some, on_lost)

    def write(self, content: bytes) -> None:
        self._port.write(content)

    def close(self) -> None:
        self._port.close()

    def _lost(self, body: bytes) -> bool:
        if body[1] != Block.KIND:
            return False
        first = int.from_bytes(body[8:16], "little")
        return bool(np.random.default_rng([self._seed, first]).random() < self._share)


@dataclass(frozen=True)
class Seen:
    """A cycle as measured, and what the plant says of its speed, torque, temperature and age."""

    cycle: CycleRecord
    truth: dict[str, float]
    temperatures_degc: dict[str, float]


class Watch:
    """The plant's state once a second, beside the station and never through it."""

    def __init__(self, device: VirtualDevice) -> None:
        self._device = device
        self._rows: list[dict[str, float]] = []

    def look(self) -> None:
        self._rows.append(cast("dict[str, float]", self._device._snapshot(0)))

    def during(self, name: str, first: int, last: int) -> float:
        """Mean of a quantity over a span of samples."""
        inside = [row[name] for row in self._rows if first <= row["index"] <= last]
        return float(np.mean(inside))

    def truth(self, cycle: CycleRecord, case: Case, hold_nm: float) -> dict[str, float]:
        """The device's own truth, as it was while the slow passes ran (three of the four passes, the shorter ones)."""
        middle = cycle.index_first + (cycle.index_last - cycle.index_first) * 2 // 3
        bearing, strokes, spall_nm = (
            self.during(name, cycle.index_first, middle) for name in ("bearing_degc", "strokes", "spall_nm")
        )
        now = self._device.levels()
        levels = levels_at(self._device.product, bearing, strokes, spall_nm, now.zero_v)
        speed = cycle.direction * case.sense * case.rpm / 60 * math.tau
        said = truth(self._device.product, levels, speed_rad_s=speed, torque_nm=hold_nm)
        return {name: value for name, value in said.items() if isinstance(value, float)}


def declared(sense: Literal[1, -1], polarity: Literal[1, -1]) -> dict[str, object]:
    """What the rig file says of the signs."""
    return {
        "encoder": msgspec.structs.replace(FAST.encoder, sense=sense),
        "transducer": msgspec.structs.replace(FAST.transducer, polarity=polarity),
    }


def play(root: Path, case: Case) -> list[Seen]:
    """Run the case until it has measured its cycles."""
    product = PRODUCTS[case.product]
    hold_nm = product.rated_torque_nm / 3
    plan = CyclePlan(
        slow_turn=SlowTurn(revolutions=2, speed_rpm=case.rpm),
        hold=Hold(torque_nm=hold_nm, revolutions=3, speed_rpm=case.rpm),
        exercise=Exercise(strokes=2, angle_deg=90.0, speed_rpm=15.0),
        cycles=case.cycles,
    )
    settings = settings_of(plan=plan, ramp_rad_per_s2=2.0, **declared(case.sense, case.polarity))
    variant = (
        f"schema = 1\nrated_torque_nm = {product.rated_torque_nm}\n"
        f"pole_pairs = {product.pole_pairs}\nslots = {product.slots}\n"
    )
    seen: list[Seen] = []

    async def act() -> None:
        device = from_spec(case.spec).build(1_000_000_000)
        scene = open_scene(
            root,
            settings=settings,
            device=device,
            variant=variant,
            wrap=lambda port: Holed(port, case.lost, 5) if case.lost else port,
        )
        watch = Watch(device)
        for _ in range(600 * case.cycles):
            await asyncio.sleep(1.0)
            watch.look()
            for cycle in scene.tally.cycles.get("pan-a1", [])[len(seen) :]:
                temperatures = {
                    role: watch.during(f"{role}_degc", cycle.index_first, cycle.index_last) for role in ROLES
                }
                seen.append(Seen(cycle, watch.truth(cycle, case, hold_nm), temperatures))
            if len(seen) >= case.cycles:
                break
        await scene.station.close()

    run(act)
    return seen


def value(cycle: CycleRecord, name: str) -> float:
    found = cycle.figure(name)
    assert found.value is not None, found
    return found.value


def check(case: Case, seen: list[Seen]) -> None:
    assert len(seen) == case.cycles
    assert {s.cycle.direction for s in seen} == {1, -1}
    for s in seen:
        cycle, truth = s.cycle, s.truth
        assert (cycle.status, cycle.epoch) == ("ok", 0), cycle.reasons
        assert (cycle.coverage < 1.0) == bool(case.lost)
        with_defect = "ripple_with_defect_pp_nm" if "spall" in case.spec else "ripple_pp_transducer_nm"
        bound = {"ripple_pp_nm": with_defect, "cogging_pp_nm": "cogging_pp_transducer_nm"}
        for name, key in bound.items():
            allowed = PP_BOUND * truth[key] + PP_BOUND_NM * case.noise
            assert abs(value(cycle, name) - truth[key]) < allowed, (name, value(cycle, name), truth[key])
        friction = abs(value(cycle, "friction_nm") - truth["friction_nm"])
        assert friction < max(FRICTION_BOUND * truth["friction_nm"], FRICTION_BOUND_NM)
        assert abs(value(cycle, "zero_nm") - case.polarity * truth["zero_nm"]) < ZERO_BOUND_NM
        held = truth["torque_nm"] - cycle.direction * case.sense * truth["friction_nm"]
        assert abs(value(cycle, "mean_torque_nm") - held) < 0.01 * truth["torque_nm"]
        for role, degc in s.temperatures_degc.items():
            assert abs(cycle.temperatures_degc[role] - degc) < TEMPERATURE_BOUND_K, role


@pytest.mark.parametrize("case", SHORT, ids=lambda case: case.spec)
def test_figures_and_temperatures_are_the_plants(tmp_path: Path, case: Case) -> None:
    check(case, play(tmp_path, case))


@pytest.mark.long
@pytest.mark.parametrize("case", LONG, ids=lambda case: f"{case.spec}, {case.lost:.0%} lost")
def test_figures_and_temperatures_are_the_plants_over_more_seeds(tmp_path: Path, case: Case) -> None:
    check(case, play(tmp_path, case))


# ---- declared signs ---------------------------------------------------------------------------------------------
SIGN: tuple[Literal[1, -1], ...] = (1, -1)
SIGNS = CyclePlan(
    slow_turn=SlowTurn(revolutions=2, speed_rpm=15.0),
    hold=Hold(torque_nm=5.0, revolutions=2, speed_rpm=15.0),
    exercise=Exercise(strokes=2, angle_deg=90.0, speed_rpm=30.0),
    cycles=2,
)


def two_cycles(root: Path, polarity: Literal[1, -1], spec: str) -> list[CycleRecord]:
    """Two cycles of a live station."""
    root.mkdir()
    settings = settings_of(plan=SIGNS, **declared(1, polarity))
    kept: list[Scene] = []

    async def act() -> None:
        scene = open_scene(root, settings=settings, device=from_spec(spec).build(1_000_000_000))
        kept.append(scene)
        await scene.until(lambda: len(scene.tally.cycles.get("pan-a1", [])) == SIGNS.cycles, 150.0)
        await scene.station.close()

    run(act)
    return kept[0].tally.cycles["pan-a1"]


def under_signs(tape: list[Record], sense: int, polarity: int) -> list[CycleRecord]:
    """The cycles that the core makes of the same bytes when the rig declares other signs."""
    core = Fixture(1)
    effects = [effect for record in tape for effect in core.handle(with_signs(record, sense, polarity))]
    rows = [effect.row for effect in effects if isinstance(effect, Emit)]
    return [row for row in rows if isinstance(row, CycleRecord)]


def with_signs(record: Record, sense: int, polarity: int) -> Record:
    """The record; one that opens a run declares these signs."""
    if not isinstance(record, Host) or record.kind != facts.RUN_OPENED:
        return record
    opened = msgspec.msgpack.decode(record.body, type=facts.RunOpened)
    rig, calibration = msgspec.json.decode(opened.rig), msgspec.json.decode(opened.calibration)
    rig["encoder"]["sense"], calibration["polarity"] = sense, polarity
    texts = {
        "rig": msgspec.json.encode(rig).decode(),
        "calibration": msgspec.json.encode(calibration).decode(),
    }
    # The figures on this tape are those of the other signs: the core works its own out.
    turned = msgspec.structs.replace(opened, figures_apart=False, **texts)
    return msgspec.structs.replace(record, body=msgspec.msgpack.encode(turned))


@pytest.fixture(scope="module")
def tape(tmp_path_factory: pytest.TempPathFactory) -> list[Record]:
    root = tmp_path_factory.mktemp("plain") / "run"
    two_cycles(root, 1, "pan15?seed=7")
    return records_of(root)


@pytest.mark.parametrize(("sense", "polarity"), [(-1, 1), (1, -1), (-1, -1)])
def test_declared_signs_change_signs_and_nothing_else(tape: list[Record], sense: int, polarity: int) -> None:
    plain, turned = under_signs(tape, 1, 1), under_signs(tape, sense, polarity)
    assert len(plain) == SIGNS.cycles
    for ours, theirs in zip(plain, turned, strict=True):
        assert theirs.sums_sha256 == ours.sums_sha256
        assert theirs.direction == sense * ours.direction
        assert (theirs.status, theirs.coverage) == (ours.status, ours.coverage)
        for one, other in zip(ours.figures, theirs.figures, strict=True):
            sign = polarity if one.name in {"zero_nm", "mean_torque_nm"} else 1
            if one.name in OF_MORE_STROKES:
                assert (one.u, other.u, other.status, other.reasons) == (None, None, one.status, one.reasons)
                continue
            assert one.u is not None
            tried = any(part in one.name for part in TRIED)
            value = sign * (one.value or 0.0)
            near = pytest.approx(value, abs=TRIED_SHARE * one.u) if tried else pytest.approx(value, rel=1e-9)
            assert other.value == near, one.name
            assert other.u == pytest.approx(one.u, rel=0.05 if tried else 1e-6), one.name
            assert other.nu == pytest.approx(one.nu, rel=0.2 if tried else 1e-6), one.name
            if one.name.startswith("friction") and sense * polarity < 0:
                assert (other.status, other.n) == ("not judged", one.n)  # a unit does not help the turning
            else:
                assert (other.status, other.n, other.reasons) == (one.status, one.n, one.reasons)
        amplitudes = [row[:2] for row in ours.orders], [row[:2] for row in theirs.orders]
        assert np.array(amplitudes[1]) == pytest.approx(np.array(amplitudes[0]), rel=1e-6)


def test_a_bridge_wired_the_other_way_and_declared_so_gives_the_same_figures(tmp_path: Path) -> None:
    # The zero is the amplifier's and does not turn with the bridge; converter steps of 5 µN·m fall otherwise.
    right, wrong = (
        two_cycles(tmp_path / f"run{polarity}", polarity, f"pan15?seed=7&noise=0&polarity={polarity}")
        for polarity in SIGN
    )
    for ours, theirs in zip(right, wrong, strict=True):
        assert theirs.direction == ours.direction
        for one, other in zip(ours.figures, theirs.figures, strict=True):
            sign = -1 if one.name == "zero_nm" else 1
            if one.name in OF_MORE_STROKES:
                assert (one.u, other.u, other.status) == (None, None, one.status)
                continue
            assert one.u is not None
            # Two readings of signals that were rounded otherwise: their difference has u·√2.
            near = pytest.approx(sign * (one.value or 0.0), rel=2e-4, abs=2 * math.sqrt(2) * one.u)
            assert other.value == near, one.name
            assert (other.status, other.n) == (one.status, one.n)
