"""What a test does to a line: lose, repeat, delay and reorder frames; and an open line to do it to."""

from collections.abc import Callable, Sequence

import numpy as np
from hypothesis import strategies as st
from tests.acquisition.fake_device import FakeDevice
from tests.acquisition.line import MS, Line, straight

from nightturn_protocol import messages
from nightturn_protocol.framing import parse_header

LOSE, TWICE, LATE, VERY_LATE = "lose", "twice", "late", "very late"
FATES = st.sampled_from(["", "", "", "", LOSE, TWICE, LATE, VERY_LATE])
STEPS_LATE = {LATE: 1, VERY_LATE: 7}


def opened(device: FakeDevice | None = None) -> Line:
    """A line whose handshake is done."""
    line = Line(device=device or FakeDevice())
    line.open()
    assert line.state == "running"
    return line


def losing(*seqs: int) -> Callable[[bytes], Sequence[bytes]]:
    """Loses the first copy of BLOCK frames with these sequence numbers."""
    left = set(seqs)

    def bend(body: bytes) -> Sequence[bytes]:
        header = parse_header(body)
        if header.kind == messages.Block.KIND and header.seq in left:
            left.remove(header.seq)
            return ()
        return (body,)

    return bend


def resends(line: Line) -> list[tuple[int, int]]:
    """The RESENDs that the device has seen."""
    return [(m.first_seq, m.count) for m in line.device.seen if isinstance(m, messages.Resend)]


class Unsteady:
    """Gives each frame the next fate of a list; late frames come some steps later, so that others overtake them."""

    def __init__(self, fates: Sequence[str]) -> None:
        self.fates = iter(fates)
        self.step = 0
        self.held: list[tuple[int, bytes]] = []

    def __call__(self, body: bytes) -> Sequence[bytes]:
        fate = next(self.fates, "")
        if fate == LOSE:
            return ()
        if fate == TWICE:
            return (body, body)
        if fate in STEPS_LATE:
            self.held.append((self.step + STEPS_LATE[fate], body))
            return ()
        return (body,)

    def due(self) -> list[bytes]:
        """Late frames whose time has come."""
        ready = [body for step, body in self.held if step <= self.step]
        self.held = [(step, body) for step, body in self.held if step > self.step]
        return ready


def run_unsteady(
    line: Line, out: Unsteady, back: Unsteady, steps: int, ticks: Sequence[int]
) -> dict[int, bytes]:
    """Stream over an unsteady line, then over a good one until all is settled; returns the bodies by index."""
    produced: dict[int, bytes] = {}
    line.to_host, line.to_device = back, out
    for step in range(steps + 60):
        if step == steps:
            for _, body in back.held:
                line.carry(line.frame(body))
            line.to_host = line.to_device = straight
            back.held, out.held = [], []
        line.now_ns += 10 * MS
        back.step = out.step = step
        for body in out.due():
            for answer in line.device.receive(body):
                line.arrive([answer])
        for body in back.due():
            line.carry(line.frame(body))
        lost = 4 if step % 23 == 22 else 0
        index = line.device.next_index + lost
        bodies = line.device.produce(lose_samples=lost)
        produced[index] = bodies[0]
        line.arrive(bodies)
        if step % 10 == 9:
            line.arrive([line.device.status()])
        if step in ticks or step >= steps:
            line.carry(line.link.tick(line.now_ns))
    return produced


def fates(rng: np.random.Generator, share: float, count: int) -> list[str]:
    """A share of frames lost, and half as many each of repeated, late and very late ones."""
    odds = [1 - 2.5 * share, share, share / 2, share / 2, share / 2]
    return [str(fate) for fate in rng.choice(["", LOSE, TWICE, LATE, VERY_LATE], count, p=odds)]
