"""A virtual fixture as bytes in and bytes out: the device role in front of the plant, with faults on a schedule.

It has no clock, thread or I/O: the caller says what time it is. The device's own tick drifts against that time and is
never influenced by the host.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

from nightturn.virtual.chance import mix
from nightturn.virtual.clock import DriftingClock
from nightturn.virtual.condition import Levels, levels_at
from nightturn.virtual.control import Control
from nightturn.virtual.faults import Change, Fault, changes_of
from nightturn.virtual.firmware import NO_CRASH, Boot, Crash, Firmware
from nightturn.virtual.noise import Cable, Noise
from nightturn.virtual.outlet import Outlet
from nightturn.virtual.plant import Plant
from nightturn.virtual.products import Product
from nightturn.virtual.rig import STOP_RAMP_RAD_S2, Rig
from nightturn.virtual.sampler import BOOT_RATE_HZ
from nightturn.virtual.sheet import FEATURES, sheet_of
from nightturn.virtual.truth import Json, truth
from nightturn_protocol import messages as wire

SNAPSHOT_NS = 300 * 10**9
SNAPSHOTS_MAX = 10_000
TRUTH_RAD_S = 3.0 * math.tau / 60  # 3 rpm, a usual measuring speed; the figures name it
RING_BYTES = 65_536
CRASH = Crash(pc=0x0800_1A2C, lr=0x0800_1A11, cause=3)  # invented addresses


@dataclass(frozen=True, slots=True)
class Unit:
    """What differs between two devices of one product.

    Attributes:
        strokes: age at power-on.
        noise: factor on all noise of the bridge, 0 for none.
        delay_s, filter_hz, zero_v, zero_drift_v_per_h: instead of the product's, None to keep them.
        polarity: -1 when the bridge is wired the other way round.
        encoder: -1 when it counts against the drive that turns by its own count.
        turns: that its encoder tells apart after a start.
        self_test: bit n: test n fails at every start.
        without: optional features that it does not have.
    """

    strokes: float = 0.0
    noise: float = 1.0
    delay_s: float | None = None
    filter_hz: float | None = None
    zero_v: float | None = None
    zero_drift_v_per_h: float | None = None
    polarity: int = 1
    encoder: int = 1
    turns: int = 1
    self_test: int = 0
    without: tuple[str, ...] = ()

    @property
    def features(self) -> tuple[str, ...]:
        """What its sheet names."""
        return tuple(feature for feature in FEATURES if feature not in self.without)

    def of(self, product: Product) -> Product:
        """The product with this unit's bridge."""
        own = {
            "delay_s": self.delay_s,
            "filter_hz": self.filter_hz,
            "zero_v": self.zero_v,
            "zero_drift_v_per_h": self.zero_drift_v_per_h,
        }
        bridge = replace(
            product.bridge,
            white_v=product.bridge.white_v * self.noise,
            flicker_v=product.bridge.flicker_v * self.noise,
            hum_v=product.bridge.hum_v * self.noise,
            **{name: value for name, value in own.items() if value is not None},
        )
        return replace(product, bridge=bridge, encoder_turns=self.turns)


@dataclass(slots=True)
class Story:
    """What happened, for the truth log."""

    faults: list[Json] = field(default_factory=list)
    snapshots: list[Json] = field(default_factory=list)
    next_snapshot_ns: int = 0


class VirtualDevice:
    """One virtual fixture on one line.

    Time never runs backwards: a `now_ns` before the last one counts as the last one.
    """

    def __init__(
        self,
        product: Product,
        *,
        seed: int = 0,
        faults: tuple[Fault, ...] = (),
        drift_ppm: float = 0.0,
        ring_bytes: int = RING_BYTES,
        settings: Unit | None = None,
        start_ns: int = 0,
        boot_entropy: int = 0,
    ) -> None:
        unit = settings or Unit()
        self.product = unit.of(product)
        self._unit = unit
        self.seed = seed
        self.drift_ppm = drift_ppm
        self._boot_entropy = boot_entropy
        self._ring_bytes = ring_bytes
        self._start_ns = start_ns
        self._now_ns = start_ns
        self._faults = faults
        self._outages = tuple((f.at_ns, f.until_ns) for f in faults if f.kind == "outage")
        self._changes: list[Change] = changes_of(faults)
        self._clock = DriftingClock(mix(seed, 1), drift_ppm, start_ns)
        self._boot_tick = 0
        self._boots = 0
        self._story = Story()
        self.plant = Plant(
            self.product,
            Noise(self.product.bridge, mix(seed, 2), np.random.default_rng(mix(seed, 3))),
            rate_hz=BOOT_RATE_HZ,
            strokes=unit.strokes,
            polarity=unit.polarity,
            position=float(mix(seed, 4) % product.counts_per_rev),
        )
        self.plant.encoder_sense = unit.encoder
        self._rig = Rig(self.plant)
        self._outlet = Outlet()
        self._sheet = sheet_of(self.product, unit.features)
        self._crash = NO_CRASH
        self._boot(wire.ResetCause.POWER)

    # ---- what the line does ---------------------------------------------------------------------------------------

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes from the host, complete at this moment."""
        self.advance(now_ns)
        if not self._outlet.up:
            return
        for body in self._firmware.deframer.receive_bytes(data):
            self._control.handle(body)

    def advance(self, now_ns: int) -> None:
        """Carry the fixture to a moment: samples, heartbeats, events and faults up to then."""
        while self._changes and self._start_ns + self._changes[0].at_ns <= now_ns:
            change = self._changes.pop(0)
            self._run(self._start_ns + change.at_ns)
            self._carry_out(change)
        self._run(now_ns)

    def take_output(self) -> bytes:
        """Bytes for the host since the last call."""
        if self._firmware.talking(self._firmware.tick):
            self._firmware.pump()
        return self._outlet.take()

    def next_due_ns(self) -> int:
        """When `advance` should be called next."""
        due = self._clock.moment_ns(self._boot_tick + self._firmware.next_due())
        if self._changes:
            due = min(due, self._start_ns + self._changes[0].at_ns)
        return max(due, self._now_ns + 1)

    def line_up(self, now_ns: int) -> bool:
        """Whether the line carries bytes at this moment (an outage is a cut cable)."""
        since = now_ns - self._start_ns
        return not any(begin <= since < end for begin, end in self._outages)

    def reset(self, cause: wire.ResetCause = wire.ResetCause.WATCHDOG) -> None:
        """The device starts anew: another boot, tick and sample number from 0; the shaft is where it was."""
        self._boot_tick = self._clock.tick(self._now_ns)
        self._boot(cause)

    def guard(self, now_ns: int, *, closed: bool) -> None:
        """A person opens the guard, or closes it."""
        self.advance(now_ns)
        self._guard(closed=closed)

    @property
    def session(self) -> int:
        """The session in force, 0 when none is."""
        return self._firmware.session

    # ---- ground truth -------------------------------------------------------------------------------------------

    def levels(self, *, temperature_degc: float | None = None, strokes: float | None = None) -> Levels:
        """Friction and zero now, or at another bearing temperature and age."""
        unit = self.plant.condition
        now = unit.levels()
        if temperature_degc is None and strokes is None:
            return now
        return levels_at(
            self.product,
            unit.bearing_degc if temperature_degc is None else temperature_degc,
            unit.strokes if strokes is None else strokes,
            now.spall_nm,
            now.zero_v,
        )

    def truth(
        self,
        *,
        speed_rad_s: float,
        torque_nm: float = 0.0,
        temperature_degc: float | None = None,
        strokes: float | None = None,
    ) -> dict[str, Json]:
        """The figures an ideal measurement would give, from the plant's parameters."""
        levels = self.levels(temperature_degc=temperature_degc, strokes=strokes)
        return truth(self.product, levels, speed_rad_s=speed_rad_s, torque_nm=torque_nm)

    def truth_log(self) -> dict[str, Json]:
        """What this fixture is, what was done to it and how it changed; figures and orders as it is now; JSON-able."""
        faults: list[Json] = [
            {"kind": f.kind, "at_s": f.at_ns / 1e9, "lasts_s": f.lasts_ns / 1e9, "size": f.size}
            for f in self._faults
        ]
        return {
            "product": self.product.name,
            "seed": self.seed,
            "drift_ppm": self.drift_ppm,
            "boots": self._boots,
            "scheduled": faults,
            "happened": list(self._story.faults),
            "snapshots": list(self._story.snapshots),
            "figures": self.truth(speed_rad_s=TRUTH_RAD_S, torque_nm=self.product.rated_torque_nm / 3),
            "blocks_overwritten_unsent": self._firmware.ring.overwritten_unsent,
            "strays": self._control.strays,
        }

    # ---- inside -------------------------------------------------------------------------------------------------

    def _boot(self, cause: wire.ResetCause) -> None:
        self._boots += 1
        boot_id = (mix(self.seed, 5, self._boots, self._boot_entropy) & 0xFFFFFFFF) or 1
        serial = b"virtual-%08d" % (self.seed % 10**8)
        boot = Boot(boot_id, cause, serial, self._unit.self_test, self._crash)
        self._firmware = Firmware(self.plant, self._rig, boot, self._ring_bytes, self._outlet)
        self._control = Control(self._firmware, self._sheet, self._unit.features)

    def _run(self, now_ns: int) -> None:
        if now_ns < self._now_ns:
            return
        self._now_ns = now_ns
        self._firmware.advance(self._clock.tick(now_ns) - self._boot_tick)
        since = now_ns - self._start_ns
        if since >= self._story.next_snapshot_ns and len(self._story.snapshots) < SNAPSHOTS_MAX:
            self._story.next_snapshot_ns = (since // SNAPSHOT_NS + 1) * SNAPSHOT_NS
            self._story.snapshots.append(self._snapshot(since))

    def _snapshot(self, since_ns: int) -> dict[str, Json]:
        unit, levels = self.plant.condition, self.levels()
        return {
            "at_s": since_ns / 1e9,
            "index": self._firmware.sampler.next_index,
            "strokes": unit.strokes,
            "housing_degc": unit.housing_degc,
            "winding_degc": unit.winding_degc,
            "bearing_degc": unit.bearing_degc,
            "coulomb_nm": levels.coulomb_nm,
            "viscous_nm_s": levels.viscous_nm_s,
            "spall_nm": levels.spall_nm,
            "chip_nm": levels.chip_nm,
            "stiffness": levels.stiffness,
            "ambient_degc": unit.ambient_degc,
            "zero_v": levels.zero_v,
        }

    def _carry_out(self, change: Change) -> None:
        self._story.faults.append(
            {
                "kind": change.fault.kind,
                "begins": change.begins,
                "at_s": change.at_ns / 1e9,
                "index": self._firmware.sampler.next_index,
                "tick": self._firmware.tick,
                "boot_id": self._firmware.boot.boot_id,
            }
        )
        match change.fault.kind:
            case "spall" | "chip" | "coupling" | "zero" | "cooling":
                self.plant.condition.begin(change.fault.kind, change.fault.size)
            case "cable":
                sound = Cable(mix(self.seed, 6, change.at_ns), change.fault.size) if change.begins else None
                self.plant.cable, self.plant.cable_from = sound, self.plant.index
            case "outage":
                self._outlet.up = self.line_up(self._now_ns)
            case "shunt":
                self.plant.shunt_size = change.fault.size
            case "reset":
                self.reset(wire.ResetCause.WATCHDOG)
            case "crash":
                self._crash = CRASH
                self.reset(wire.ResetCause.FAULT)
            case _:
                self._guard(closed=not change.begins)

    def _guard(self, *, closed: bool) -> None:
        firmware, rig = self._firmware, self._rig
        rig.guard_closed = closed
        if not closed:
            rig.guard_latched = True
            driven = rig.driven()
            rig.stop(STOP_RAMP_RAD_S2)
            values = (driven, 0)
            firmware.events.add(
                firmware.tick, wire.EventCode.GUARD_OPENED, wire.Severity.ALARM, values, latched=True
            )
        firmware.refresh_inputs()
        firmware.send_events()
