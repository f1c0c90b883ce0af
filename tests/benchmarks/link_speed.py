"""What one block costs on its way in: deframing, the link, the tiler.

    python tests/benchmarks/link_speed.py [--blocks 20000] [--samples 100] [--tile 1000] [--json]

Prints CPU microseconds per block, the best of several passes; orientation, not a test.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.acquisition.fake_device import TICKS_PER_SAMPLE, FakeDevice

from nightturn.acquisition.link import Link, LinkSettings
from nightturn.acquisition.outputs import BlockIn, Output, SendFrame
from nightturn.acquisition.tiler import Tiler
from nightturn_protocol.framing import Deframer, to_wire

READ_BYTES = 4096
BLOCK_NS = 10_000_000
PASSES = 5


def running_link(device: FakeDevice, samples: int) -> Link:
    """A link through its handshake."""
    link = Link.start(LinkSettings(10_000_000, samples, 100), nonce=1)
    todo = link.opened(0)
    while todo:
        output = todo.pop(0)
        if isinstance(output, SendFrame):
            for body in device.receive(output.body):
                todo += link.frame(0, 0, body)
    return link


def best_us(job: Callable[[], object], blocks: int) -> float:
    """CPU microseconds per block of the fastest pass."""
    fastest = float("inf")
    for _ in range(PASSES):
        begin = time.process_time_ns()
        job()
        fastest = min(fastest, time.process_time_ns() - begin)
    return fastest / 1000 / blocks


class Bench:
    """One stream of blocks and the stages it passes."""

    def __init__(self, blocks: int, samples: int, tile: int) -> None:
        device = FakeDevice(count=samples)
        self.link = running_link(device, samples)
        self.tile = tile
        self.bodies = device.produce(blocks)
        stream = b"".join(map(to_wire, self.bodies))
        self.reads = [stream[start : start + READ_BYTES] for start in range(0, len(stream), READ_BYTES)]
        series = self.link.lane.series
        self.begin = (series.expected, series.next_index, series.last_tick)
        self.taken: list[Output] = []

    def rewind(self) -> Link:
        """The link as it stood before the first block."""
        series = self.link.lane.series
        series.expected, series.next_index, series.last_tick = self.begin
        return self.link

    def deframe(self) -> None:
        """Bytes to bodies."""
        deframer = Deframer()
        for read in self.reads:
            deframer.receive_bytes(read)

    def order(self) -> None:
        """Bodies to blocks in series."""
        frame = self.rewind().frame
        taken = self.taken = []
        for number, body in enumerate(self.bodies):
            taken += frame(number * BLOCK_NS, number, body)

    def cut(self) -> None:
        """Blocks to tiles."""
        tiler = Tiler.start(self.tile, TICKS_PER_SAMPLE)
        for block in self.taken:
            assert isinstance(block, BlockIn)
            tiler.add(block, 0)

    def together(self) -> None:
        """Bytes to tiles."""
        link, tiler, deframer, number = self.rewind(), Tiler.start(self.tile, TICKS_PER_SAMPLE), Deframer(), 0
        for read in self.reads:
            for body in deframer.receive_bytes(read):
                for output in link.frame(number * BLOCK_NS, number, body):
                    if isinstance(output, BlockIn):
                        tiler.add(output, 0)
                number += 1


def measure(blocks: int, samples: int, tile: int) -> dict[str, float]:
    """The three stages, one by one and together."""
    bench = Bench(blocks, samples, tile)
    figures = {"deframe_us": best_us(bench.deframe, blocks), "link_us": best_us(bench.order, blocks)}
    assert len(bench.taken) == blocks
    figures["tiler_us"] = best_us(bench.cut, blocks)
    figures["together_us"] = best_us(bench.together, blocks)
    return figures


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--blocks", type=int, default=20_000)
    parser.add_argument("--samples", type=int, default=100)
    parser.add_argument("--tile", type=int, default=1000)
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    figures = measure(arguments.blocks, arguments.samples, arguments.tile)
    if arguments.json:
        print(json.dumps({"blocks": arguments.blocks, "samples": arguments.samples, **figures}))
        return
    print(f"{arguments.blocks} blocks of {arguments.samples} samples, tiles of {arguments.tile}")
    for name, value in figures.items():
        print(f"{name.removesuffix('_us'):10} {value:7.2f} us/block {arguments.samples / value:7.1f} MS/s")


if __name__ == "__main__":
    main()
