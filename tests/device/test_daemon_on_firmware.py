"""The unmodified daemon records from the real firmware: QEMU's boards on its ports, and what may happen to them."""

import signal
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest
from tests.daemon.processes import HEAD, STAND, VARIANT, Child, Processes, say_go
from tests.device.build import built
from tests.device.client import Client
from tests.device.fault_proxy import FaultProxy, Rates
from tests.device.qemu import Qemu, Wiring
from tests.device.recording import bad_frames, blocks, blocks_of_boots, frames, newest_status, verified
from tests.waiting import act_for, wait

from nightturn.model.cards import MountCard
from nightturn.sentences.device_events import reset_cause
from nightturn.settings.load import append_card
from nightturn.storage.runs import open_run
from nightturn_protocol import messages
from nightturn_protocol.messages import Axis, DriveMode, EventCode, LeaseState, Reason

FIXTURE = """
[[fixture]]
id = "{fixture}"
port = "{port}"
rate_hz = {rate_hz}
after_restart = "resume"
guard = "none"
ramp_rad_per_s2 = 20.0
{stand}[fixture.plan]
slow_turn = {{ revolutions = 2, speed_rpm = {speed_rpm} }}
cycles = 1000
"""
BOARDS = 8
BOARDS_S, BOARDS_LONG_S = 25.0, 60.0  # a cycle takes twelve
FAST_S, FAST_LONG_S = 6.0, 30.0
DISCARDED, DISCARDED_LONG = 120, 200  # frames of both directions; four in ten are blocks
BLOCKS_AROUND = 10  # enough that a session is a stream
SILENT_S = 1.5  # longer than the longest lease
AROUND_S = 3.0
BLOCK_SAMPLES = 100
STALL_S = 2.5  # longer than the ring, shorter than the device's patience
HICCUP_S = 0.4
SPARE = 0x003F_FF00  # flash behind the image
BRANCH_TO_ITSELF = b"\xfe\xe7"  # interrupts go on, the main loop does not
NOWHERE = 0xA000_0000  # no memory there


pytestmark = pytest.mark.alone


@pytest.fixture
def board() -> Iterator[Qemu]:
    with Qemu(built("mps2-an385.elf"), Wiring(number=7)) as running:
        yield running


def rig(folder: Path, ports: dict[str, str], rate_hz: int, *, moves: bool = True) -> Path:
    """A rig file with a mounted unit on each fixture; without `moves` nobody has confirmed the travel zero."""
    (folder / "variants").mkdir()
    (folder / "variants" / "pan15.toml").write_text(VARIANT)
    speed_rpm = 30.0 if rate_hz < 5000 else 60.0
    text = HEAD
    for fixture, port in ports.items():
        text += FIXTURE.format(stand=STAND, fixture=fixture, port=port, rate_hz=rate_hz, speed_rpm=speed_rpm)
        card = MountCard(
            unit="Q-0117",
            variant="pan15",
            operator="R. Vale",
            mounted_utc="2026-05-04T18:00:00Z",
            travel_zero_confirmed=moves,
        )
        append_card(folder / "nights", fixture, card)
    (folder / "bench.toml").write_text(text)
    return folder / "bench.toml"


def serving(processes: Processes, bench: Path, runs: int, *, turns: Iterable[str] = ("pan-a1",)) -> Child:
    """A daemon with so many runs; somebody says go for the fixtures that are to turn."""
    serve = processes.start("serve", str(bench))
    serve.says("run_open", runs)
    for fixture in turns:
        say_go(bench.parent, None, fixture)
    return serve


def lost_nothing(root: Path, fixture: str) -> None:
    """Not a bad frame either way, no gap, no sample lost in the device."""
    status = newest_status(root, fixture)
    bad = (status.rx_bad_crc, status.rx_bad_cobs, status.rx_oversize, status.rx_overrun)
    assert bad == (0, 0, 0, 0)
    assert status.blocks_overwritten_unsent == 0
    assert bad_frames(root, fixture) == 0
    run = open_run(root, fixture)
    assert run.gaps().empty, run.gaps()
    index = run.samples(columns=["index"])["index"].to_numpy()
    assert len(index) == index[-1] + 1 - index[0]


@pytest.mark.parametrize("seconds", [BOARDS_S, pytest.param(BOARDS_LONG_S, marks=pytest.mark.long)])
def test_eight_boards_side_by_side_lose_nothing(tmp_path: Path, processes: Processes, seconds: float) -> None:
    image = built("mps2-an385.elf")
    boards = [Qemu(image, Wiring(number=1 + number)) for number in range(BOARDS)]
    try:
        ports = {f"pan-a{number}": board.port for number, board in enumerate(boards)}
        serve = serving(processes, rig(tmp_path, ports, 1000), BOARDS, turns=ports)
        act_for(seconds, "record so long")
        assert serve.interrupt() == 0
    finally:
        for board in boards:
            board.stop()
    root = tmp_path / "nights"
    verified(root)
    for fixture in ports:
        lost_nothing(root, fixture)
    cycles = [open_run(root, fixture).cycles() for fixture in ports]
    assert all(len(each) for each in cycles)  # they turned, all of them


@pytest.mark.parametrize("seconds", [FAST_S, pytest.param(FAST_LONG_S, marks=pytest.mark.long)])
def test_one_board_at_ten_thousand_samples_a_second_loses_nothing(
    tmp_path: Path, processes: Processes, board: Qemu, seconds: float
) -> None:
    serve = serving(processes, rig(tmp_path, {"pan-a1": board.port}, 10_000), 1)
    act_for(seconds, "record so long")
    assert serve.interrupt() == 0
    verified(tmp_path / "nights")
    lost_nothing(tmp_path / "nights", "pan-a1")


@pytest.mark.parametrize("discarded", [DISCARDED, pytest.param(DISCARDED_LONG, marks=pytest.mark.long)])
def test_of_frames_discarded_on_the_way_each_one_comes_again(
    tmp_path: Path, processes: Processes, board: Qemu, discarded: int
) -> None:
    loses = Rates(frame=0.05)
    with FaultProxy(Path(board.port), tmp_path / "bad.line", 5, loses, loses) as proxy:
        bench = rig(tmp_path, {"pan-a1": str(tmp_path / "bad.line")}, 10_000)
        serve = serving(processes, bench, 1)
        # nothing else is looked at meanwhile: the cable is a thread of this process
        wait(lambda: proxy.counts["frame"] >= discarded, lambda: f"{proxy.counts} only:\n{serve.said}")
        proxy.heal()
        assert serve.interrupt() == 0
        lost = proxy.counts["frame"]
    root = tmp_path / "nights"
    verified(root)
    assert open_run(root, "pan-a1").gaps().empty
    assert lost > 50
    assert newest_status(root, "pan-a1").resent > discarded // 4


def stalled(tmp_path: Path, processes: Processes, board: Qemu, seconds: float) -> Path:
    """Record at 10 kS/s with the daemon standing still for so long in between; the data root."""
    serve = serving(processes, rig(tmp_path, {"pan-a1": board.port}, 10_000, moves=False), 1, turns=())
    act_for(AROUND_S, "stream before and behind the stall")
    serve.process.send_signal(signal.SIGSTOP)
    act_for(seconds, "the daemon stands still")
    serve.process.send_signal(signal.SIGCONT)
    act_for(AROUND_S, "stream before and behind the stall")
    assert serve.interrupt() == 0
    verified(tmp_path / "nights")
    return tmp_path / "nights"


def test_what_the_ring_could_not_hold_is_exactly_the_recorded_gap(
    tmp_path: Path, processes: Processes, board: Qemu
) -> None:
    root = stalled(tmp_path, processes, board, STALL_S)
    overwritten = newest_status(root, "pan-a1").blocks_overwritten_unsent
    assert overwritten > 0
    gaps = open_run(root, "pan-a1").gaps()
    assert set(gaps["cause"]) == {"overwritten"}
    assert gaps["n_missing"].sum() == overwritten * BLOCK_SAMPLES
    numbers = blocks(root, "pan-a1")
    assert numbers[-1] + 1 - numbers[0] - len(numbers) == overwritten  # by the tape's own sequence numbers


def test_a_short_stall_leaves_no_gap(tmp_path: Path, processes: Processes, board: Qemu) -> None:
    root = stalled(tmp_path, processes, board, HICCUP_S)
    lost_nothing(root, "pan-a1")


@pytest.mark.parametrize(
    ("crash", "cause"), [("hang", messages.ResetCause.WATCHDOG), ("fault", messages.ResetCause.FAULT)]
)
def test_a_crash_of_the_firmware_is_a_new_epoch_with_its_cause(
    tmp_path: Path, processes: Processes, board: Qemu, crash: str, cause: messages.ResetCause
) -> None:
    serve = serving(processes, rig(tmp_path, {"pan-a1": board.port}, 1000, moves=False), 1, turns=())
    root = tmp_path / "nights"
    streams(root, serve, boots=1)
    with board.debugger() as debugger:
        debugger.write(SPARE, BRANCH_TO_ITSELF)
        debugger.set_register("pc", SPARE if crash == "hang" else NOWHERE)
    streams(root, serve, boots=2)
    assert serve.interrupt() == 0
    verified(root)
    opened = [each for each in frames(root, "pan-a1") if isinstance(each, messages.Opened)]
    assert opened[0].boot_id != opened[-1].boot_id
    assert opened[-1].reset_cause == cause
    run = open_run(root, "pan-a1")
    assert sorted(run.samples(columns=["epoch"])["epoch"].unique()) == [0, 1]
    assert list(run.gaps()["cause"]) == ["restart"]
    told = run.events()
    assert told["detail"].str.contains(reset_cause(cause), regex=False).any(), told


def test_the_lease_lapses_when_the_host_stops_and_reconnecting_arms_nothing(
    tmp_path: Path, processes: Processes, board: Qemu
) -> None:
    serve = serving(processes, rig(tmp_path, {"pan-a1": board.port}, 1000), 1)
    root = tmp_path / "nights"
    wait(lambda: newest_status_is(root, LeaseState.LIVE), lambda: serve.said)
    wait(lambda: turns(root), lambda: f"it does not turn:\n{serve.said}")
    serve.kill()
    act_for(SILENT_S, "the host is silent")
    with Client(board.port) as host:
        host.open(0x4321)
        # on a busy machine the daemon may have been late before it died, and then heard of it itself
        lapses = [event for event in events(root) if event.code == EventCode.LEASE_LAPSED]
        assert (lapses or [host.event(EventCode.LEASE_LAPSED)])[-1].latched
        status = host.next(messages.Status)
        assert status.lease == LeaseState.LAPSED
        assert not host.ask(drive(1), messages.DriveReply).accepted
        host.send(messages.Lease(host.next(messages.Status).tick, 7.0, 5.0, 1000, 0))
        again = host.ask(drive(2), messages.DriveReply)
        assert (again.accepted, again.reason) == (0, Reason.LATCHED)
        host.ask(messages.Clear(0), messages.Done)
        unleased = host.ask(drive(3), messages.DriveReply)
        assert (unleased.accepted, unleased.reason) == (0, Reason.NO_LEASE)
        host.send(messages.Lease(host.next(messages.Status).tick, 7.0, 5.0, 1000, 0))
        assert host.ask(drive(4), messages.DriveReply).accepted


def drive(number: int) -> messages.Drive:
    """Turn slowly."""
    return messages.Drive(0, 1 << 62, number, 1.0, 2.0, 5.0, Axis.DRIVE, DriveMode.SPEED, 0)


def turns(root: Path) -> bool:
    """Whether the host has had a DRIVE accepted behind the OFF of both machines that each session begins with."""
    accepted = [e for e in frames(root, "pan-a1") if isinstance(e, messages.DriveReply) and e.accepted]
    return len(accepted) > len(Axis)


def streams(root: Path, serve: Child, *, boots: int) -> None:
    """Wait until so many boots have been seen and the newest of them streams."""

    def holds() -> bool:
        found = list(blocks_of_boots(root).values())
        return len(found) >= boots and found[-1] >= BLOCKS_AROUND

    wait(holds, lambda: f"{blocks_of_boots(root)} blocks only:\n{serve.said}")


def events(root: Path) -> list[messages.Event]:
    return [each for each in frames(root, "pan-a1") if isinstance(each, messages.Event)]


def newest_status_is(root: Path, lease: LeaseState) -> bool:
    found = [each for each in frames(root, "pan-a1") if isinstance(each, messages.Status)]
    return bool(found) and found[-1].lease == lease
