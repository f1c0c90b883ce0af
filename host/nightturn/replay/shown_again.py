"""A stretch of a tape through the core again, second by second: what it did, what it was given, what it decided and why."""

import math
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np

from nightturn.acquisition.blocks import KIND_AT, unpack_columns
from nightturn.errors import StorageError
from nightturn.fixture.core import Fixture
from nightturn.fixture.stream import RunSettings, degrees
from nightturn.model import facts
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import number
from nightturn.model.records import Frame, Host, Record, Send, Tick
from nightturn.model.rows import EVENTS, GAPS, SLOW, STATE, EventRow, GapRow, SlowRow, StateRow
from nightturn.model.tiles import Float64s
from nightturn.replay.beginning import take_over
from nightturn.replay.full import read_by_this_version
from nightturn.replay.tapes import Tape
from nightturn.sentences.device_events import OUTPUTS, inputs_text
from nightturn.sentences.now import phase_text
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.segment import read_header
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import parse_message
from nightturn_protocol.messages import Message

RPM = 60 / (2 * math.pi)
"""From rad/s."""
MACHINES = {wire.Axis.DRIVE: "turning drive", wire.Axis.ACTUATOR: "actuator"}
STRETCH_MAX_S = 900
"""A stretch that is read line by line; a longer one is a report's, or a picture's."""
COMMANDS = (wire.Drive, wire.Clear, wire.Switch, wire.Halt)
"""Frames to the device that change what it does; leases, probes and questions come by the hundred."""
COMMAND_KINDS = frozenset(each.KIND for each in COMMANDS)


class Second(msgspec.Struct, frozen=True):
    """One second by the arrival of its samples: how many, torque and angle, None where none came; the newest temperatures, °C."""

    ts: int
    samples: int
    torque_min_nm: float | None = None
    torque_mean_nm: float | None = None
    torque_max_nm: float | None = None
    angle_deg: float | None = None
    temperatures_degc: dict[str, float] = {}


class Line(msgspec.Struct, frozen=True):
    """Something that happened at a moment: `what` is event, state, host, command or gap; `text` a sentence."""

    ts: int
    what: str
    text: str


class Shown(msgspec.Struct, frozen=True):
    """A stretch of a run.

    Attributes:
        from_ts, to_ts: ns since 1970 UTC.
        before: how the fixture stood when the stretch begins; empty where nothing was known yet. inputs: what the device's inputs said then.
        lines: what happened, in order.
        seconds: torque and angle, second by second; a second without a sample says so.
        missing: sentences on what the tape lacks here.
    """

    from_ts: int
    to_ts: int
    before: str
    lines: tuple[Line, ...]
    seconds: tuple[Second, ...]
    missing: tuple[str, ...]
    inputs: str = ""


def span_of(tape: Tape) -> tuple[int, int]:
    """First and last moment of a tape, ns since 1970 UTC; the last is that of its last tick.

    Raises:
        CorruptFileError: a header cannot be read.
    """
    first = read_header(tape.files[0], str(tape.files[0])).started_utc_ns
    last = first
    for part in Tape(tape.name, tape.files[-1:], tape.run).parts():
        last = max(
            (record.utc_ns for _, record in part.segment.records() if isinstance(record, Tick)), default=first
        )
    return first, last


def show_again(tape: Tape, from_ts: int, to_ts: int) -> Shown:
    """Feed the core from the nearest snapshot before a stretch to its end, and keep what happens within it.

    Raises:
        CorruptFileError: the segment cannot be read.
        StorageError: a stretch longer than `STRETCH_MAX_S`.
    """
    if to_ts - from_ts > STRETCH_MAX_S * NS_PER_S:
        raise StorageError(
            f"a stretch of more than {STRETCH_MAX_S} s is not shown line by line; ask for a shorter one"
        )
    watch = _Watch(from_ts, to_ts)
    core: Fixture | None = None
    for part in Tape(tape.name, segments_from(tape, from_ts), tape.run).parts():
        with read_by_this_version(part):
            if core is None or part.begins:
                core = Fixture(part.segment.first_record_no)
                take_over(core, part)
            if part.problem:
                watch.missing.append(part.problem)
            if not watch.play(core, part.segment.records()):
                break
    return watch.shown()


def segments_from(tape: Tape, ts: int) -> tuple[Path, ...]:
    """The segments from the newest one on that began before a moment."""
    starts = [read_header(path, str(path)).started_utc_ns for path in tape.files]
    first = max((at for at, start in enumerate(starts) if start <= ts), default=0)
    return tape.files[first:]


class _Watch:
    """What is kept of a core on its way through a stretch."""

    def __init__(self, from_ts: int, to_ts: int) -> None:
        self._from, self._to = from_ts, to_ts
        self._tick: tuple[int, int] | None = None
        self._before = ""
        self._said = ""
        self._inputs: list[str] = []
        self._lines: list[Line] = []
        self._settings: FixtureSettings | None = None
        self._outputs: dict[int, int] = {}
        self._torque_nm: dict[int, list[Float64s]] = {}
        self._angle_deg: dict[int, float] = {}
        self._degc: dict[str, float] = {}
        self._degc_at: dict[int, dict[str, float]] = {}
        self.missing: list[str] = []

    def play(self, core: Fixture, records: Iterator[tuple[int, Record]]) -> bool:
        """Every record of a segment; whether the stretch goes on in the next one."""
        for _, record in records:
            if isinstance(record, Tick):
                self._tick = record.at_ns, record.utc_ns
            now = self._now(record.at_ns)
            if now > self._to:
                return False
            inside = now >= self._from
            if inside and isinstance(record, Host):
                self._host(now, record)
            for effect in core.handle(record):
                if not isinstance(effect, Send):
                    self._row(effect.dataset, effect.row)
                elif effect.body[KIND_AT] in COMMAND_KINDS:
                    self._sent(now, effect, _counts_per_rev(core), inside=inside)
            if inside:
                self._inputs_now(core, now)
                self._block(core, now, record)
        return True

    def _now(self, at_ns: int) -> int:
        """When a record came, by the newest tick before it; 0 before the first."""
        return self._tick[1] + at_ns - self._tick[0] if self._tick is not None else 0

    def _inputs_now(self, core: Fixture, now: int) -> None:
        """The inputs when the stretch begins, and each change of them that a person would want to know."""
        stream, watch = core.stream, core.state.watch
        if stream is None or watch.inputs_tick < 0:
            return
        text = inputs_text(watch.inputs, stream.words.inputs)
        if not self._inputs or self._inputs[-1] != text:
            if self._inputs:
                self._lines.append(Line(now, "inputs", text))
            self._inputs.append(text)

    def _host(self, now: int, record: Host) -> None:
        if record.kind == facts.COMMAND:
            asked = msgspec.msgpack.decode(record.body, type=facts.Command)
            by = f" by {asked.by}" if asked.by else ""
            self._lines.append(Line(now, "host", f"command {asked.name}{by}"))
        elif record.kind == facts.FAILURE:
            failed = msgspec.msgpack.decode(record.body, type=facts.Failure)
            self._lines.append(Line(now, "host", f"{failed.what} failed: {failed.detail}"))

    def _sent(self, now: int, effect: Send, counts_per_rev: int, *, inside: bool) -> None:
        message = parse_message(effect.body)
        if isinstance(message, wire.Switch):
            if self._outputs.get(message.output) == message.on:
                return  # renewed before it expires
            self._outputs[message.output] = message.on
        if inside and isinstance(message, COMMANDS):
            self._lines.append(Line(now, "command", _sentence(message, counts_per_rev)))

    def _row(self, dataset: str, row: msgspec.Struct) -> None:
        if dataset == STATE and isinstance(row, StateRow):
            self._state(row)
        elif dataset == EVENTS and isinstance(row, EventRow):
            if self._from <= row.ts <= self._to:
                self._lines.append(Line(row.ts, "event", f"{row.severity}: {row.detail or row.kind}"))
        elif dataset == GAPS and isinstance(row, GapRow):
            if row.ts_from <= self._to and row.ts_to >= self._from:
                missing = f"{row.n_missing} samples are missing by {row.cause}"
                self._lines.append(Line(max(row.ts_from, self._from), "gap", missing))
        elif dataset == SLOW and isinstance(row, SlowRow):
            self._degc[row.channel] = row.value

    def _state(self, row: StateRow) -> None:
        reason = row.reason.removeprefix(f"{row.state}, ")
        text = f"{row.state}, {phase_text(row.phase)}, cycle {row.cycle_no}"
        text += "".join(f"; {each}" for each in (reason, row.waits_for) if each)
        if row.ts < self._from:
            self._before = text
        elif text != (self._said or self._before):
            self._lines.append(Line(row.ts, "state", text))
        self._said = text

    def _block(self, core: Fixture, now: int, record: Record) -> None:
        if not isinstance(record, Frame) or record.body[KIND_AT] != wire.Block.KIND:
            return
        stream, opened = core.stream, core.state.run.opened
        if stream is None or opened is None:
            return
        samples = unpack_columns([record.body])
        second = now // NS_PER_S
        counts = samples.raw.astype(np.float64) - stream.conditions.zero_count
        torque_nm = np.asarray(counts * stream.conditions.lsb_nm, np.float64)
        self._torque_nm.setdefault(second, []).append(torque_nm)
        settings = RunSettings.of(opened).fixture if self._settings is None else self._settings
        self._settings = settings
        self._angle_deg[second] = degrees(int(samples.encoder[-1]), settings)
        self._degc_at[second] = {
            role: self._degc[name] for name, role in stream.temperature_roles.items() if name in self._degc
        }

    def shown(self) -> Shown:
        """The stretch."""
        lines = tuple(sorted(self._lines, key=lambda line: line.ts))
        seconds = tuple(self._second(each) for each in range(self._from // NS_PER_S, self._to // NS_PER_S))
        inputs = self._inputs[0] if self._inputs else ""
        return Shown(self._from, self._to, self._before, lines, seconds, tuple(self.missing), inputs)

    def _second(self, second: int) -> Second:
        came = self._torque_nm.get(second)
        if came is None:
            return Second(second * NS_PER_S, 0)
        torque = np.concatenate(came)
        low, mean, high = (float(each) for each in (torque.min(), torque.mean(), torque.max()))
        return Second(
            second * NS_PER_S, len(torque), low, mean, high, self._angle_deg[second], self._degc_at[second]
        )


def _counts_per_rev(core: Fixture) -> int:
    """Of the encoder of the open run; 0 before one is."""
    return core.stream.conditions.counts_per_rev if core.stream is not None else 0


def _sentence(message: Message, counts_per_rev: int) -> str:
    """A command to the device in words."""
    if isinstance(message, wire.Drive):
        return _drive(message, counts_per_rev)
    if isinstance(message, wire.Switch):
        return f"SWITCH {OUTPUTS.get(message.output, f'output {message.output}')} {'on' if message.on else 'off'}"
    return type(message).__name__.upper()


def _drive(drive: wire.Drive, counts_per_rev: int) -> str:
    machine = MACHINES[wire.Axis(drive.axis)]
    if drive.mode == wire.DriveMode.OFF:
        return f"DRIVE {machine} off"
    if drive.mode == wire.DriveMode.TORQUE:
        return f"DRIVE {machine} holds {number(drive.setpoint, 4)} N·m"
    speed = f"at {number(drive.setpoint * RPM, 4)} rpm"
    if drive.mode != wire.DriveMode.TRAVEL:
        return f"DRIVE {machine} turns {speed}"
    if not counts_per_rev:
        return f"DRIVE {machine} turns by {number(drive.travel_counts, 12)} counts {speed}"
    return f"DRIVE {machine} turns by {number(drive.travel_counts / counts_per_rev * 360, 6)}° {speed}"
