"""A plain MQTT client that remembers what it sees, a wire that can be cut, and rows to publish."""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any

import aiomqtt

from nightturn.model.alarms import AlarmRow, AlarmState
from nightturn.model.device import DeviceCounters
from nightturn.model.figures import OK, CycleRecord, Figure
from nightturn.model.records import Emit
from nightturn.model.rows import (
    ALARM,
    ALARM_OVER,
    CYCLES,
    EVENTS,
    STATE,
    AlarmOver,
    EventRow,
    LiveRow,
    StandingRow,
    StateRow,
)
from nightturn.model.verdicts import NOT_JUDGED
from nightturn.settings.rig import MqttPart
from nightturn.telemetry.client import Timing
from nightturn.telemetry.publisher import Publisher

LIMIT_S = 40.0  # generous: it only matters when something is broken
LAB = "quillfen"
COUNTED = DeviceCounters(leases_refused=0, adc_overrange=1, encoder_errors=0, tx_stalls=7, cpu_pct=12)
RUN = "20260321T210000Z-0a1b"
T0 = 1_774_126_800_123_456_789
QUICK = Timing(answer_s=2.0, backoff_first_s=0.02, backoff_most_s=0.1)


@dataclass(frozen=True, slots=True)
class Seen:
    topic: str
    payload: bytes
    retain: bool
    expiry_s: int | None

    @property
    def values(self) -> dict[str, Any]:
        decoded = json.loads(self.payload)
        assert isinstance(decoded, dict)
        return decoded


class Watcher:
    """Messages in the order of arrival."""

    def __init__(self) -> None:
        self.seen: list[Seen] = []
        self._more = asyncio.Event()

    def on(self, ending: str) -> list[Seen]:
        return [seen for seen in self.seen if seen.topic.endswith(ending)]

    async def until(self, holds: Callable[[], bool]) -> None:
        async with asyncio.timeout(LIMIT_S):
            while not holds():
                self._more.clear()
                await self._more.wait()

    async def read(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            expiry_s = getattr(message.properties, "MessageExpiryInterval", None)
            assert isinstance(message.payload, bytes)
            self.seen.append(Seen(str(message.topic), message.payload, bool(message.retain), expiry_s))
            self._more.set()


@contextlib.asynccontextmanager
async def watching(
    port: int, topic_filter: str = "nightturn/v1/#", *, old: bool = False
) -> AsyncIterator[Watcher]:
    """Subscribe, and leave with the block."""
    watcher = Watcher()
    version = aiomqtt.ProtocolVersion.V311 if old else aiomqtt.ProtocolVersion.V5
    async with aiomqtt.Client("127.0.0.1", port, protocol=version) as client:
        await client.subscribe(topic_filter, qos=1)
        reading = asyncio.create_task(watcher.read(client))
        try:
            yield watcher
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)


class Wire:
    """A TCP relay to a broker: open, or cut so hard that nobody says goodbye."""

    def __init__(self, target_port: int) -> None:
        self.target_port = target_port
        self.open = True
        self._flows = asyncio.Event()
        self._flows.set()
        self.port = 0
        self._writers: set[asyncio.StreamWriter] = set()
        self._relays: set[asyncio.Task[None]] = set()

    def fall_silent(self) -> None:
        """Nothing passes any more, and neither end is told so."""
        self._flows.clear()

    def cut(self) -> None:
        self.open = False
        self._flows.set()
        for writer in list(self._writers):
            writer.transport.abort()

    async def end(self) -> None:
        self.cut()
        await asyncio.gather(*self._relays)

    async def accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._relays.add(task)
        await self._relay(reader, writer)
        self._relays.discard(task)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if not self.open:
            writer.transport.abort()
            return
        try:
            far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self.target_port)
        except OSError:
            writer.transport.abort()
            return
        ends = {writer, far_writer}
        self._writers |= ends
        await asyncio.gather(self._pump(reader, far_writer), self._pump(far_reader, writer))
        self._writers -= ends

    async def _pump(self, source: asyncio.StreamReader, target: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while chunk := await source.read(65536):
                await self._flows.wait()
                target.write(chunk)
                await target.drain()
        await self._flows.wait()
        target.close()
        with contextlib.suppress(OSError):
            await target.wait_closed()


@contextlib.asynccontextmanager
async def wire_to(port: int) -> AsyncIterator[Wire]:
    """A relay on a port of its own."""
    wire = Wire(port)
    server = await asyncio.start_server(wire.accept, "127.0.0.1", 0)
    wire.port = server.sockets[0].getsockname()[1]
    try:
        yield wire
    finally:
        server.close()
        await server.wait_closed()
        await wire.end()


def publisher(port: int, **changes: Any) -> Publisher:
    """A publisher for a broker on loopback, with short pauses."""
    url = changes.pop("url", f"mqtt://127.0.0.1:{port}")
    arguments: dict[str, Any] = {
        "lab": LAB,
        "host": "bench-1",
        "bench": "b0b0",
        "daemon_boot": "b7",
        "utc_ns": lambda: T0,
        "version": "0.1.0",
        "timing": QUICK,
        **changes,
    }
    return Publisher(
        MqttPart(url=url, **{name: arguments.pop(name, None) for name in ("cafile", "certfile", "keyfile")}),
        **arguments,
    )


@contextlib.asynccontextmanager
async def running(subject: Publisher, drain_s: float = 0.0) -> AsyncIterator[Publisher]:
    """Run it for the block, then stop it cleanly."""
    started = asyncio.Event()
    task = asyncio.create_task(subject.run(started.set))
    try:
        await started.wait()
        yield subject
    finally:
        subject.stop(drain_s)
        async with asyncio.timeout(LIMIT_S):
            await task


async def poll(holds: Callable[[], bool]) -> None:
    """Wait for something that tells nobody."""
    async with asyncio.timeout(LIMIT_S):
        while not holds():  # noqa: ASYNC110  the counters under test have no event
            await asyncio.sleep(0.005)


def event(kind: str = "link_lost", severity: str = "info", ts: int = T0) -> Emit:
    return Emit(EVENTS, EventRow(ts, 3, 1000, kind, severity, f"{kind} happened"))


def state(word: str = "turning", run: str = RUN) -> Emit:
    return Emit(STATE, state_row(word, run))


def state_row(word: str = "turning", run: str = RUN, **changes: Any) -> StateRow:
    values: dict[str, Any] = {
        "ts": T0,
        "state": word,
        "run": run,
        "unit": "U-17",
        "variant": "pan15",
        "cycle_no": 4,
        "cycles_done": 3,
        "cycles_planned": 71,
        "phase": "slow_turn",
        "link": "running",
        "epoch": 3,
        "samples": 90_000,
        "gaps": 1,
        "missing": 20,
        "reason": "turning, permitted by R. Vale",
        "permitted_by": "R. Vale",
        "inputs": {"guard": "closed", "stop_chain": "healthy", "drive": "ready"},
    }
    return StateRow(**{**values, **changes})


def standing_row(word: str, run: str = RUN) -> StandingRow:
    return StandingRow(ts=T0, state=word, run=run, reason=f"it is {word}", waits_for="somebody")


def live_row(**changes: Any) -> LiveRow:
    values: dict[str, Any] = {
        "ts": T0,
        "run": RUN,
        "phase": "slow_turn",
        "cycle_no": 4,
        "position_deg": -12.5,
        "position_min_deg": -13.5,
        "position_max_deg": -11.25,
        "torque_nm": 0.125,
        "torque_min_nm": -0.25,
        "torque_max_nm": 0.5,
        "inputs": {"guard_closed": "on"},
        "rtt_us": 180.0,
        "u_time_us": 45.0,
        "temperatures_degc": {"bearing": 31.5, "ambient": 22.25},
    }
    return LiveRow(**{**values, **changes})


def alarm_row(kind: str = "overload", state: str = "active", **changes: Any) -> AlarmRow:
    values: dict[str, Any] = {
        "id": kind,
        "fixture": "pan-a1",
        "number": 3,
        "severity": "act now",
        "title": "torque was too high",
        "state": AlarmState(state),
        "said": "torque 18.4 N·m is above 18.0 N·m",
        "todo": "Look at the rig",
        "since_ts": T0,
        "newest_ts": T0,
        "run": RUN,
    }
    return AlarmRow(**{**values, **changes})


def over(kind: str) -> Emit:
    return Emit(ALARM_OVER, AlarmOver(T0, kind))


def alarm(kind: str = "overload", state: str = "active", **changes: Any) -> Emit:
    return Emit(ALARM, alarm_row(kind, state, **changes))


def cycle(cycle_no: int = 4, **changes: Any) -> Emit:
    return Emit(CYCLES, cycle_record(cycle_no, **changes))


def cycle_record(cycle_no: int = 4, **changes: Any) -> CycleRecord:
    values: dict[str, Any] = {
        "run": RUN,
        "epoch": 3,
        "cycle_no": cycle_no,
        "status": OK,
        "direction": -1,
        "record_first": 100,
        "record_last": 4200,
        "index_first": 0,
        "index_last": 4_049_999,
        "ts_start": T0 - 405_000_000_000,
        "ts_end": T0,
        "speed_rpm": 3.0,
        "setpoint_nm": 5.0,
        "coverage": 0.998,
        "calibration_id": "TR-204/2",
        "config_digest": "ab12",
        "sums_sha256": "00",
        "fingerprint": "np",
        "figures": (
            Figure("friction_nm", 0.118, 0.002, 3.0, n=4),
            Figure("ripple_pct_rated", 0.41, 0.03, 2.0, n=3),
            Figure("cogging_pp_nm", None, status=NOT_JUDGED, reasons=("one turn only",)),
        ),
        "temperatures_degc": {"bearing": 31.5},
        "orders": ((16, 0.011, 0.2, 0.001), (32, 0.02, 1.0, 0.001)),
        "cogging_orders": ((144, 0.03, 0.0, 0.002),),
        "verdict": "accept",
    }
    return CycleRecord(**{**values, **changes})
