"""A port that drops, flips, repeats, delays and adds bytes between a virtual fixture and its station, from a seed."""

import asyncio
from dataclasses import dataclass

import numpy as np

from nightturn.bench.virtual_port import VirtualPort
from nightturn.transport.port import OnBytes, OnLost
from nightturn_protocol.framing import Deframer
from nightturn_protocol.messages import Block, ResetCause


@dataclass(frozen=True)
class Faults:
    """How often something happens to a read: chances per read, and how many bytes it hits."""

    drop: float = 0.0
    flip: float = 0.0
    repeat: float = 0.0
    delay: float = 0.0
    garbage: float = 0.0
    cut: float = 0.0  # the line is lost
    up_drop: float = 0.0  # host to device


class LossyPort:
    """Wraps a `VirtualPort`; what it does to the bytes follows from the generator alone."""

    def __init__(self, port: VirtualPort, faults: Faults, rng: np.random.Generator) -> None:
        self.name = port.name
        self.quiet = False  # faults only while this is false
        self._port = port
        self._faults = faults
        self._rng = rng
        self._on_bytes: OnBytes | None = None
        self._on_lost: OnLost | None = None
        self._behind_s = 0.0

    def open(self, on_bytes: OnBytes, on_lost: OnLost) -> None:
        self._port.open(self._bytes, on_lost)
        self._on_bytes, self._on_lost = on_bytes, on_lost

    def write(self, content: bytes) -> None:
        if not self._hit(self._faults.up_drop):
            self._port.write(content)

    def close(self) -> None:
        self._port.close()
        self._on_bytes = None

    def _hit(self, chance: float) -> bool:
        return not self.quiet and bool(self._rng.random() < chance)

    def _bytes(self, stamp_ns: int, content: bytes) -> None:
        damaged = self._damaged(bytearray(content))
        if self._hit(self._faults.cut) and self._on_lost is not None:
            self._on_lost("the line was cut")
            return
        if self._hit(self._faults.delay):
            asyncio.get_running_loop().call_later(float(self._rng.uniform(0.0, 0.04)), self._late, damaged)
        elif self._on_bytes is not None:
            self._on_bytes(stamp_ns, damaged)

    def _late(self, content: bytes) -> None:
        """Bytes overtaken by those of the next read; the stamp is that of their arrival."""
        if self._on_bytes is not None:
            self._on_bytes(self._port._clock.monotonic_ns(), content)

    def _damaged(self, content: bytearray) -> bytes:
        rng, faults = self._rng, self._faults
        if self._hit(faults.drop):
            at = int(rng.integers(len(content)))
            del content[at : at + int(rng.integers(1, 40))]
        if content and self._hit(faults.flip):
            content[int(rng.integers(len(content)))] ^= 1 << int(rng.integers(8))
        if content and self._hit(faults.repeat):
            at = int(rng.integers(len(content)))
            content[at:at] = content[at : at + int(rng.integers(1, 2000))]
        if self._hit(faults.garbage):
            at = int(rng.integers(len(content) + 1))
            content[at:at] = rng.bytes(int(rng.integers(1, 3000)))
        return bytes(content)


class Produced:
    """The blocks a virtual fixture made, boot by boot, read off its ring before anything can happen to them."""

    def __init__(self, port: VirtualPort) -> None:
        self.boots: list[list[bytes]] = []
        device = port.device
        boot = device._boot

        def booted(cause: ResetCause) -> None:
            boot(cause)
            self._watch(port)

        device._boot = booted  # type: ignore[method-assign]  # a spy
        self._watch(port)

    def _watch(self, port: VirtualPort) -> None:
        blocks: list[bytes] = []
        self.boots.append(blocks)
        ring = port.device._firmware.ring
        push = ring.push

        def pushed(block: bytes) -> None:
            blocks.extend(body for body in Deframer().receive_bytes(block) if body[1] == Block.KIND)
            push(block)

        ring.push = pushed  # type: ignore[method-assign]  # a spy
