"""The real image streams by itself into a file, the same bytes every time: whatever changes them was changed on purpose.

`SHA256` is that of the first `STREAM_BYTES`. It depends on the sources of core, plant and port, and on the plant's sheet (its
digest is in OPENED); not on compiler, optimisation, processor or speed, as the tests below show. When the wire, the plant
or the port's order of work was changed on purpose, renew it with what this prints, in the same commit:

    python tests/device/test_fixed_stream.py
"""

import ctypes
import hashlib
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pytest
from tests.device.build import built
from tests.device.qemu import Qemu, Wiring
from tests.waiting import wait

from nightturn.acquisition.blocks import Samples, unpack
from nightturn_protocol import messages
from nightturn_protocol.framing import Deframer, parse_header, parse_message

STREAM_BYTES = 30_000
SHA256 = "9fbe05d3790463f2da8be6cc15b5efba3c44f7d6caf25da759dd93612c762a9a"
ICOUNT = "shift=5,sleep=off"  # 32 ns an instruction, and no waiting for the host's clock
RUN_S_MAX = 120.0  # a hang guard

SESSION, BOOT_ID = 0x5EED, 0x0F1DE57B  # as in fixed_stream.c and fixed_stream.h
START_TICK, TICKS_PER_SAMPLE, RATE_HZ, BLOCK_SAMPLES = 100_000, 1000, 1000, 50

pytestmark = pytest.mark.alone


def stream(image: Path, machine: str, icount: str | None, folder: Path) -> bytes:
    """The first bytes that an image sends."""
    sent = folder / "sent"
    sent.write_bytes(b"")
    with Qemu(image, Wiring(machine=machine, uart=sent, icount=icount)) as board:

        def size() -> int:
            assert board.runs, board.errors()
            return sent.stat().st_size

        wait(lambda: size() >= STREAM_BYTES, lambda: f"{size()} bytes only", RUN_S_MAX)
    return sent.read_bytes()[:STREAM_BYTES]


def truth(count: int) -> Samples:
    """What the plant of this board gives, by the same C compiled for this computer."""
    library = ctypes.CDLL(str(built("libnightturn-device.so")))
    torque = np.zeros(count, np.int32)
    encoder = np.zeros(count, np.int64)
    inputs = np.zeros(count, np.uint16)
    flags = np.zeros(count, np.uint16)
    pointers = [each.ctypes.data_as(ctypes.c_void_p) for each in (torque, encoder, inputs, flags)]
    library.glue_init(ctypes.c_uint32(0), ctypes.c_uint32(RATE_HZ))
    library.glue_samples(ctypes.c_uint32(count), *pointers)
    index = np.arange(count, dtype=np.int64)
    tick = START_TICK + index * TICKS_PER_SAMPLE
    return Samples(index, tick, torque, encoder, flags.astype(np.uint8), inputs)


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return stream(
        built("mps2-an385-stream.elf"), "mps2-an385", ICOUNT, tmp_path_factory.mktemp("fixed-stream")
    )


def test_the_image_sends_the_bytes_it_always_sent(sent: bytes) -> None:
    assert hashlib.sha256(sent).hexdigest() == SHA256


@pytest.mark.parametrize(
    ("image", "machine", "icount"),
    [
        ("mps2-an385-stream-fast.elf", "mps2-an385", ICOUNT),
        ("mps2-an386-stream.elf", "mps2-an386", ICOUNT),
        ("mps2-an385-stream.elf", "mps2-an385", "shift=7,sleep=off"),
        ("mps2-an385-stream.elf", "mps2-an385", None),
    ],
    ids=["another optimiser", "another core", "a slower processor", "the computer's own time"],
)
def test_the_bytes_do_not_depend_on_how_fast_the_work_is_done(
    image: str, machine: str, icount: str | None, sent: bytes, tmp_path: Path
) -> None:
    assert stream(built(image), machine, icount, tmp_path) == sent


def test_the_stream_is_a_session_and_nothing_but_whole_frames(sent: bytes) -> None:
    deframer = Deframer()
    bodies = deframer.receive_bytes(sent)

    answers = [parse_message(body) for body in bodies if parse_header(body).kind >= messages.Opened.KIND]

    assert deframer.bad == 0
    assert deframer.torn == 0
    assert {parse_header(body).session for body in bodies} == {SESSION}
    opened, set_up, running = answers
    assert isinstance(opened, messages.Opened)
    assert (opened.boot_id, opened.session, opened.resumed) == (BOOT_ID, SESSION, 0)
    assert set_up == messages.SetupReply(RATE_HZ * 1000, BLOCK_SAMPLES, 200, 1, messages.Stream.BRIDGE, 0)
    assert running == messages.Done(0, messages.Run.KIND)


def test_the_samples_are_those_of_the_plant_in_order(sent: bytes) -> None:
    bodies = [
        body for body in Deframer().receive_bytes(sent) if parse_header(body).kind == messages.Block.KIND
    ]

    found = unpack(bodies, TICKS_PER_SAMPLE)
    first = int(found.index[0])
    wanted = truth(first + found.index.size)

    assert len(bodies) > STREAM_BYTES // 400  # most of the stream
    assert [parse_header(body).seq for body in bodies] == list(range(len(bodies)))
    for name in ("index", "tick", "raw", "encoder", "inputs"):
        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name)[first:], err_msg=name)
    assert set(found.flags[:BLOCK_SAMPLES]) == {int(messages.SampleFlag.AFTER_GAP)}
    assert not found.flags[BLOCK_SAMPLES:].any()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as renewed:
        content = stream(built("mps2-an385-stream.elf"), "mps2-an385", ICOUNT, Path(renewed))
        print(f'SHA256 = "{hashlib.sha256(content).hexdigest()}"')
