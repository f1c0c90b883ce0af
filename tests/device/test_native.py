"""The native device as a process: its link, its options, what can be said to it, its resets and its memory."""

import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
from crc32c import crc32c
from tests.device.build import built
from tests.device.client import Client
from tests.device.native import FAST, SANITIZED, NativeDevices, keeps_up
from tests.device.plant import COUNTS_PER_REV
from tests.waiting import wait

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import Axis, DriveMode, EventCode, Input, LeaseState, Reason, ResetCause

SESSION = 0x1234
TURN_SLOWLY = (1.0, 2.0, 5.0)  # rad/s, its limit, rad/s²
CRASH = (0x00C0FFEE, 0x00C0DE01, 7)  # what SIGUSR2 leaves behind


LEASES_MAX = 50


def drive(number: int, mode: DriveMode = DriveMode.SPEED, counts: int = 0) -> wire.Drive:
    """Turn slowly."""
    return wire.Drive(counts, 1 << 62, number, *TURN_SLOWLY, Axis.DRIVE, mode, 0)


def lease(host: Client) -> None:
    """A motion lease of a second."""
    host.send(wire.Lease(host.next(wire.Status).tick, 7.0, 5.0, 1000, 0))


def driven(host: Client, number: int) -> wire.DriveReply:
    """The reply to a drive command under a fresh lease: a status that waited to be read while the machine stood still gives one
    that has run out already, and the next status another."""
    numbers = iter(range(number, number + LEASES_MAX))
    while True:
        lease(host)
        reply = host.ask(drive(next(numbers)), wire.DriveReply)
        if reply.reason != Reason.NO_LEASE:
            return reply


def test_the_link_appears_is_taken_over_and_goes_with_its_owner(
    tmp_path: Path, native_device: NativeDevices
) -> None:
    link = tmp_path / "device.line"
    link.symlink_to(tmp_path / "nowhere")
    first = native_device()
    pointed = link.readlink()
    assert str(pointed).startswith("/dev/pts/")
    second = native_device()
    assert link.readlink() != pointed
    first.end()
    assert link.is_symlink()  # it is not its own any more
    second.end()
    assert not link.is_symlink()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_polite_end_is_code_0(native_device: NativeDevices, number: signal.Signals) -> None:
    device = native_device()
    device.process.send_signal(number)
    assert device.process.wait(20) == 0
    (boot,) = device.end()
    assert boot.reset_cause == ResetCause.POWER


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["--rate", "1234"], "--rate 1234: this board has 1000 100 200"),
        (["--rate", ""], "--rate : this board has"),
        (["--seed", "x"], "--seed x: give a whole number from 0 to 4294967295"),
        (["--seed", "-1"], "--seed -1: give a whole number"),
        (["--seed", "99999999999999999999"], "give a whole number"),
        (["--drift-ppm", "1e9"], "--drift-ppm 1e9: give a number from -1000 to 1000"),
        (["--drift-ppm", "nan"], "--drift-ppm nan: give a number"),
        (["--baud", "3"], "--baud 3: give a whole number from 1200 to 20000000"),
        (["--serial", "seventeen-letters"], "--serial seventeen-letters: give 1 to 16 printable"),
        (["--serial", "two words"], "give 1 to 16 printable ASCII characters without spaces"),
        (["--recording", "none.csv"], "none.csv: cannot be read: No such file or directory"),
        (["--keep", "none/keep"], "none/keep: cannot be opened: No such file or directory"),
        (["--truth", "none/truth"], "none/truth: cannot be written: No such file or directory"),
        (["--log-samples", "none/log"], "none/log: cannot be written: No such file or directory"),
        (["--link", "none/line"], "none/line: the link cannot be made: No such file or directory"),
        (["--link", "taken"], "taken: a file that is not a link has this name; choose another one"),
        (["--link", "x" * 5000], "the link cannot be made: File name too long"),
        (["--colour", "blue"], "--help lists the options"),
        (["loose"], "argument loose: every argument has a name"),
    ],
    ids=lambda value: " ".join(value)[:24] if isinstance(value, list) else "",
)
def test_an_option_that_cannot_be_used_is_told_in_a_line(
    options: list[str], why: str, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("keep me")
    done = subprocess.run(
        [built(SANITIZED), "--link", "device.line", *options],
        cwd=tmp_path,
        stdin=subprocess.DEVNULL,
        text=True,
        capture_output=True,
        timeout=20,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert why in done.stderr
    assert (tmp_path / "taken").read_text() == "keep me"
    assert not (tmp_path / "device.line").is_symlink()


def test_help_is_on_stdout_and_a_link_is_asked_for() -> None:
    helped = subprocess.run(
        [built(SANITIZED), "--help"], text=True, capture_output=True, timeout=20, check=False
    )
    assert helped.returncode == 0
    for word in ("--link", "--drift-ppm", "--recording", "--keep", "guard open|closed", "no safety function"):
        assert word in helped.stdout
    bare = subprocess.run([built(SANITIZED)], text=True, capture_output=True, timeout=20, check=False)
    assert bare.returncode == 2
    assert "--link PATH is missing" in bare.stderr


@pytest.mark.parametrize("build", [SANITIZED, FAST])
def test_it_says_who_it_is(native_device: NativeDevices, build: str) -> None:
    device = native_device(build=build, serial="PAN-0117", boot_entropy=7)
    with Client(device.port) as host:
        opened = host.open(SESSION)
        assert opened.board.rstrip(b"\0") == b"PAN-0117"
        assert opened.boot_id == device.state()["boot_id"]
        firmware = host.ask(wire.Firmware(), wire.FirmwareReply)
    assert firmware.self_test == 0
    assert firmware.flash_crc == crc32c(built(build).read_bytes())
    assert firmware.build.startswith(b"native asan, gcc" if build == SANITIZED else b"native, gcc")
    again = native_device("again.line", build=build, boot_entropy=7)
    assert again.state()["boot_id"] == opened.boot_id  # entropy decides, and it was fixed
    other = native_device("other.line", build=build)
    assert other.state()["boot_id"] != opened.boot_id


def test_the_truth_is_the_log_and_the_same_seed_gives_the_same_samples(native_device: NativeDevices) -> None:
    devices = [
        native_device(f"{name}.line", seed=seed, rate=5000) for name, seed in (("a", 5), ("b", 5), ("c", 6))
    ]
    for device in devices:
        while device.state()["next_index"] < 1000:
            pass
    made = []
    for device in devices:
        (boot,) = device.end()
        (produced,) = device.produced()
        made.append(produced)
        assert boot.samples == len(produced) >= 1000
        assert (produced["index"] == np.arange(len(produced))).all()
        assert boot.crc32c == crc32c(produced.tobytes())
    shortest = min(len(part) for part in made)
    assert (made[0][:shortest] == made[1][:shortest]).all()
    assert (made[0][:shortest] != made[2][:shortest]).any()


def test_the_rate_at_power_on_can_be_chosen(native_device: NativeDevices) -> None:
    fast, slow = native_device("fast.line", rate=10_000), native_device("slow.line", rate=100)
    while slow.state()["next_index"] < 20:
        pass
    wait(lambda: keeps_up(fast, 100), lambda: f"it does not take 10,000 a second: {fast.state()}")
    wait(lambda: keeps_up(slow, 10_000), lambda: f"it does not take 100 a second: {slow.state()}")


def test_what_nobody_understands_is_an_error_and_changes_nothing(native_device: NativeDevices) -> None:
    device = native_device()
    before = device.state()["faults"]
    assert device.say("guard ajar") == "error guard ajar: --help lists what can be said"
    assert device.say("x" * 500) == "error too long: --help lists what can be said"
    assert device.say("") == "error : --help lists what can be said"
    assert device.state()["faults"] == before


def test_it_goes_on_without_anybody_at_its_stdin(native_device: NativeDevices) -> None:
    device = native_device()
    assert device.process.stdin is not None
    device.process.stdin.close()
    with Client(device.port) as host:
        host.open(SESSION)
        first = host.next(wire.Status)
        assert host.next(wire.Status).next_index > first.next_index


@pytest.mark.parametrize(
    ("wrong", "right", "code"),
    [
        ("guard open", "guard closed", EventCode.GUARD_OPENED),
        ("chain open", "chain healthy", EventCode.STOP_CHAIN),
        ("drive failed", "drive healthy", EventCode.DRIVE_FAULT),
        ("bridge open", "bridge whole", EventCode.BRIDGE_OPEN),
        ("adc saturated", "adc free", EventCode.ADC_SATURATED),
        ("encoder blind", "encoder seeing", EventCode.ENCODER_FAULT),
        ("winding hot", "winding cool", EventCode.OVER_TEMPERATURE),
        ("winding unknown", "winding cool", EventCode.OVER_TEMPERATURE),
    ],
)
def test_what_goes_wrong_stops_the_drive_until_it_is_right_and_cleared(
    native_device: NativeDevices, wrong: str, right: str, code: EventCode
) -> None:
    device = native_device()
    with Client(device.port) as host:
        host.open(SESSION)
        assert driven(host, 1).accepted
        device.make(wrong)
        while not (told := host.event(code)).latched:  # a first kick into the rail is a warning only
            pass
        while device.state()["moving"]:
            pass
        refused = driven(host, 100)
        assert refused.reason in {Reason.INTERLOCK, Reason.LATCHED}
        device.make(right)
        while not host.next(wire.Status).inputs & Input.GUARD_CLOSED:
            pass
        host.next(wire.Status)
        host.ask(wire.Clear(told.event_no), wire.Done)
        host.ask(wire.Clear(0xFFFFFFFF), wire.Done)
        assert driven(host, 200).accepted


def test_a_travel_is_made_to_the_count_and_the_lease_drops_when_nobody_renews_it(
    native_device: NativeDevices,
) -> None:
    device = native_device()
    with Client(device.port) as host:
        host.open(SESSION)
        lease(host)
        assert host.ask(drive(1, DriveMode.TRAVEL, -50_000), wire.DriveReply).accepted
        assert device.state()["lease"]
        while device.state()["moving"]:
            lease(host)
        assert host.ask(drive(2), wire.DriveReply).accepted
        assert host.event(EventCode.LEASE_LAPSED).latched
        assert host.next(wire.Status).lease == LeaseState.LAPSED
        assert not device.state()["lease"]
        while device.state()["moving"]:
            pass
    device.end()
    (produced,) = device.produced()
    encoder = produced["encoder"]
    assert encoder[0] - encoder.min() == 50_000


@pytest.mark.parametrize("reset", ["watchdog", "crash"])
def test_a_reset_in_place_is_a_new_boot_with_its_cause_and_the_line_stays(
    native_device: NativeDevices, reset: str
) -> None:
    device = native_device()
    with Client(device.port) as host:
        before = host.open(SESSION)
        lease(host)
        assert host.ask(drive(1), wire.DriveReply).accepted
        host.next(wire.Status)
        began_s = time.monotonic()
        if reset == "watchdog":
            device.reset_by_watchdog()
        else:
            device.crash()
        assert not device.state()["lease"]
        after = host.open(SESSION + 1, last_boot_id=before.boot_id, last_session=SESSION, fresh=False)
        assert after.boot_id != before.boot_id
        assert not after.resumed
        assert after.uptime_tick <= (time.monotonic() - began_s) * 1e6  # its clock began anew
        cause = ResetCause.WATCHDOG if reset == "watchdog" else ResetCause.FAULT
        assert after.reset_cause == cause
        while host.event(EventCode.BOOT).value_a != cause:  # the boot before told its own
            pass
        firmware = host.ask(wire.Firmware(), wire.FirmwareReply)
        left = (firmware.crash_pc, firmware.crash_lr, firmware.crash_cause)
        assert left == (CRASH if reset == "crash" else (0, 0, 0))
        while device.state()["moving"]:  # the core stopped what the processor had forgotten
            pass
    boots = device.end()
    assert [boot.reset_cause for boot in boots] == [ResetCause.POWER, cause]
    parts = device.produced()
    assert [len(part) for part in parts] == [boot.samples for boot in boots]
    assert [int(part["index"][0]) for part in parts] == [0, 0]
    assert 0 <= parts[1]["encoder"][0] < COUNTS_PER_REV


def test_memory_that_no_reset_clears_outlives_the_process(
    tmp_path: Path, native_device: NativeDevices
) -> None:
    keep = tmp_path / "keep"
    device = native_device(keep=keep, boot_entropy=1)
    ids = [device.state()["boot_id"]]
    device.crash()
    ids.append(device.state()["boot_id"])
    device.kill()
    device = native_device(keep=keep, boot_entropy=1)
    ids.append(device.state()["boot_id"])
    with Client(device.port) as host:
        assert host.open(SESSION).reset_cause == ResetCause.PIN
        firmware = host.ask(wire.Firmware(), wire.FirmwareReply)
        assert (firmware.crash_pc, firmware.crash_lr, firmware.crash_cause) == CRASH  # of the life before
    device.end()
    assert len(set(ids)) == 3  # the count of boots goes on, so that fixed entropy gives other ids
    keep.write_bytes(b"\xa5" * keep.stat().st_size)  # what memory holds when power comes
    device = native_device(keep=keep, boot_entropy=1)
    assert device.state()["boot_id"] == ids[0]


def test_nobody_takes_it_over_while_a_lease_lives_and_a_new_host_learns_what_is_latched(
    native_device: NativeDevices,
) -> None:
    device = native_device()
    with Client(device.port) as host:
        host.open(SESSION)
        lease(host)
        assert host.ask(drive(1), wire.DriveReply).accepted
        stranger = wire.Open(0, 5, 0, 0, 0, SESSION + 1, 0, 1)
        seq = host.send(stranger, session=SESSION + 1)
        refused = host.next(wire.Refused)
        assert (refused.reason, refused.request) == (Reason.NOT_NOW, wire.Open.KIND), seq
        lapsed = host.event(EventCode.LEASE_LAPSED)
        host.send(wire.EventAck(lapsed.event_no))
    with Client(device.port) as host:
        host.open(SESSION + 2)
        assert host.event(EventCode.LEASE_LAPSED) == lapsed
    device.end()


def test_an_overload_that_no_host_saw_waits_for_one(native_device: NativeDevices) -> None:
    device = native_device()
    with Client(device.port) as host:
        host.open(SESSION)
        host.ask(wire.Close(), wire.Done)
    device.make("adc saturated")
    device.takes(device.state()["next_index"] + 5)
    device.make("adc free")
    device.takes(device.state()["next_index"] + 5)
    with Client(device.port) as host:
        host.open(SESSION + 1)
        first = host.ask(wire.Extremes(0), wire.ExtremesReply)
        host.ask(wire.Close(), wire.Done)
        host.open(SESSION + 2)
        again = host.ask(wire.Extremes(0), wire.ExtremesReply)
        assert again.torque_max == first.torque_max
        assert again.max_tick == first.max_tick
        after = host.ask(wire.Extremes(again.memory_no), wire.ExtremesReply)
    assert first.torque_max > 10 * abs(after.torque_max)
    assert first.since_tick < first.max_tick < first.tick
    device.end()
    (produced,) = device.produced()
    assert first.torque_max == produced["torque"].max()
