"""What may come over a line besides a device: nothing is lost, the link recovers, and events say what it was."""

import asyncio
import dataclasses
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.simulation.lossy_port import Faults, LossyPort, Produced
from tests.simulation.scene import START_UTC_NS, Scene, checked, open_scene, run, settings_of
from tests.simulation.test_faults import agree

from nightturn.acquisition.states import LinkState
from nightturn.bench.virtual_port import VirtualPort
from nightturn.errors import PortError
from nightturn.fixture.core import Fixture
from nightturn.model.records import Bad, Frame, Tick
from nightturn.settings.rig import Encoder
from nightturn.transport.port import OnBytes, OnLost
from nightturn_protocol.framing import Deframer, frame_body, to_wire
from nightturn_protocol.messages import Status

RESUME = settings_of(after_restart="resume")
MODEM_PROBE = b"AT\r\nATE1 E0\r\nAT+GCAP\r\n\x7e\x00\x78\xf0\x7e" * 40


class Injecting(LossyPort):
    """A sound line into which bytes can be put."""

    def put(self, content: bytes) -> None:
        if self._on_bytes is not None:
            self._on_bytes(self._port._clock.monotonic_ns(), content)


class OtherDevice:
    """A port where something answers that is no device of ours."""

    def __init__(self, name: str, speak: Callable[[int], bytes], *, echo: bool = False) -> None:
        self.name = name
        self.opened = 0
        self._speak = speak
        self._echo = echo
        self._on_bytes: OnBytes | None = None
        self._turn = 0

    def open(self, on_bytes: OnBytes, _on_lost: OnLost) -> None:
        self._on_bytes = on_bytes
        self.opened += 1
        asyncio.get_running_loop().call_later(0.05, self._talk)

    def write(self, content: bytes) -> None:
        if self._echo and self._on_bytes is not None:
            asyncio.get_running_loop().call_later(0.001, self._on_bytes, self.opened * 10**9, content)

    def close(self) -> None:
        self._on_bytes = None

    def _talk(self) -> None:
        if self._on_bytes is not None:
            self._turn += 1
            content = self._speak(self._turn)
            if content:
                self._on_bytes(round(asyncio.get_running_loop().time() * 1e9) + 1_000_000_000, content)
            asyncio.get_running_loop().call_later(0.05, self._talk)


def inject(root: Path, content: Callable[[np.random.Generator], list[bytes]]) -> tuple[Scene, Produced]:
    """A station that streams, gets these pieces in the middle, and streams on."""
    kept: list[tuple[Scene, Produced]] = []

    async def act() -> None:
        made: list[Injecting] = []
        produced: list[Produced] = []

        def wrap(port: VirtualPort) -> Injecting:
            produced.append(Produced(port))
            made.append(Injecting(port, Faults(), np.random.default_rng(1)))
            return made[0]

        scene = open_scene(root, settings=RESUME, wrap=wrap)
        await scene.until(lambda: scene.moving)
        for piece in content(np.random.default_rng(9)):
            made[0].put(piece)
            await asyncio.sleep(0.01)
        await asyncio.sleep(20.0)
        assert scene.station.core.state.device.streams
        await scene.station.close()
        kept.append((scene, produced[0]))

    run(act)
    agree(root, *kept[0])
    return kept[0]


def test_twenty_kilobytes_of_garbage_in_the_middle_cost_nothing(tmp_path: Path) -> None:
    scene, _ = inject(tmp_path, lambda rng: [rng.bytes(20_000)])
    assert scene.station.core.state.counts.missing == 0
    assert scene.station.core.state.counts.bad_frames > 50


def test_a_million_random_bytes_harm_nothing_and_are_told(tmp_path: Path) -> None:
    scene, _ = inject(tmp_path, lambda rng: [rng.bytes(4096) for _ in range(250)])
    assert scene.count("link_noise") >= 1
    assert scene.station.core.state.counts.missing == 0


def test_the_greeting_of_a_modem_manager_in_the_middle_costs_nothing(tmp_path: Path) -> None:
    scene, _ = inject(tmp_path, lambda _rng: [MODEM_PROBE])
    assert scene.station.core.state.counts.missing == 0


def test_a_block_of_garbage_without_any_delimiter_costs_nothing(tmp_path: Path) -> None:
    scene, _ = inject(tmp_path, lambda _rng: [b"\x55" * 20_000])
    assert scene.station.core.state.counts.missing == 0


def wrong_major(turn: int) -> bytes:
    body = bytearray(frame_body(Status(*([0] * len(dataclasses.fields(Status)))), 1, turn))
    body[0] = 0x20 | body[0] & 0x0F
    return to_wire(bytes(body))


@pytest.mark.parametrize(
    ("speak", "kind", "words"),
    [
        (lambda _turn: b"", "link_no_answer", "does not answer OPEN"),
        (lambda _turn: MODEM_PROBE, "link_foreign", "noise, another protocol or another bit rate"),
        (lambda turn: np.random.default_rng(turn).bytes(500), "link_foreign", "noise, another protocol"),
        (lambda turn: b"$GPGGA,%06d,,*47\r\n" % turn, "link_foreign", "another protocol"),
        (wrong_major, "link_wrong_major", "uses major version 2 of the protocol, this host 1"),
    ],
    ids=["silence", "modem text", "noise", "text protocol", "wrong major"],
)
def test_each_stranger_is_told_apart_once_and_the_line_is_tried_on(
    tmp_path: Path, speak: Callable[[int], bytes], kind: str, words: str
) -> None:
    async def act() -> None:
        other = OtherDevice("other", speak)
        scene = open_scene(tmp_path, wrap=lambda _port: other)
        await asyncio.sleep(300.0)
        assert scene.count(kind) == 1
        assert words in next(event.detail for event in scene.events if event.kind == kind)
        assert 3 <= other.opened <= 40
        assert len(scene.events) < 10
        assert not scene.station.core.state.device.streams
        assert scene.tally.states["pan-a1"].state == "locked"
        await scene.station.close()

    run(act)


def test_a_line_that_echoes_is_told(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, wrap=lambda _port: OtherDevice("loop", lambda _turn: b"", echo=True))
        await asyncio.sleep(30.0)
        (fault,) = [event for event in scene.events if event.kind == "link_foreign"]
        assert "our own frames come back" in fault.detail
        await scene.station.close()

    run(act)


def test_a_device_that_does_not_fit_the_rig_is_told_once_kept_quiet_and_looked_at_again(
    tmp_path: Path,
) -> None:
    async def act() -> None:
        other = settings_of(encoder=Encoder(counts_per_rev=2**19, reference="absolute"))
        scene = open_scene(tmp_path, settings=other)
        await asyncio.sleep(50.0)
        assert scene.count("device_unfit") == 1
        assert scene.station.core.state.device.link is not None
        assert scene.station.core.state.device.link.state is LinkState.FAULT
        records = scene.station.core.state.record_no
        await asyncio.sleep(250.0)
        per_second = (scene.station.core.state.record_no - records) / 250
        assert per_second < 13  # ticks and syncs: nothing streams that nobody can use
        assert scene.count("device_unfit") == 1
        assert scene.count("line_opened") == 1
        assert "counts per revolution" in scene.tally.states["pan-a1"].waits_for
        await scene.station.close()

    run(act)
    assert checked(tmp_path)[0].stored == 0


class Absent:
    """A port that is not there, then is."""

    def __init__(self, port: VirtualPort) -> None:
        self.name = "/dev/serial/by-id/usb-absent"
        self.there = False
        self.tries = 0
        self._port = port

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self.tries += 1
        if not self.there:
            raise PortError(f"{self.name}: there is no such port; plug the device in")
        self._port.open(on_bytes, on_lost)

    def write(self, content: bytes) -> None:
        self._port.write(content)

    def close(self) -> None:
        self._port.close()


def test_an_absent_port_is_told_once_and_the_plan_starts_when_it_comes(tmp_path: Path) -> None:
    async def act() -> None:
        ports: list[Absent] = []

        def wrap(port: VirtualPort) -> Absent:
            ports.append(Absent(port))
            return ports[0]

        scene = open_scene(tmp_path, wrap=wrap)
        await asyncio.sleep(60.0)
        assert scene.count("line_lost") == 1
        assert "there is no such port" in scene.tally.states["pan-a1"].waits_for
        assert scene.motion == "locked"
        assert 10 < ports[0].tries < 20
        ports[0].there = True
        await scene.until(lambda: scene.moving, 25)  # the operator says `go` once a device streams
        assert scene.count("go_refused") == 0
        await scene.station.close()

    run(act)


def test_a_core_fed_with_a_million_random_bytes_stays_whole() -> None:
    rng = np.random.default_rng(4)
    core, deframer = Fixture(1), Deframer()
    now_ns = START_UTC_NS
    for _ in range(250):
        now_ns += 10_000_000
        for body in deframer.receive_bytes(rng.bytes(4000)):
            core.handle(Frame(now_ns, body))
        count, head = deframer.take_bad()
        core.handle(Bad(now_ns, count, head))
        core.handle(Tick(now_ns, now_ns))
    assert core.state.counts.bad_frames > 3000
    assert msgspec.msgpack.decode(core.snapshot())
