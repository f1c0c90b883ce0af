"""The line of the native device: a host's link over it in real time, unplugged, unread, paced, with a clock that drifts."""

import os
import time
import tty
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from tests.device.client import Client
from tests.device.live_link import LiveLink
from tests.device.native import NativeDevices, keeps_up
from tests.waiting import act_for, wait

from nightturn.acquisition.link import LinkSettings
from nightturn.linktest.shell import run_link_test
from nightturn.linktest.stream_choice import Wanted
from nightturn_protocol import messages as wire
from nightturn_protocol.messages import ResetCause, Stream

SETTINGS = LinkSettings(rate_millihz=10_000_000, samples_per_block=100, status_ms=100)
SLOW = LinkSettings(
    rate_millihz=1_000_000, samples_per_block=50, status_ms=100
)  # the ring holds ten seconds of it
SESSION = 0x1234
SECONDS = 3.0
BITS_PER_BYTE = 10
PROBE_WIRE_BYTES = 8 + 28 + 4 + 2  # header, payload, CRC, one code byte and the delimiter
WINDOWS_MAX = 8
LINK_TESTS_MAX = 5
UNPLUGGED_S = 0.4
NOBODY_READS_S = 2.6  # longer than the ring lasts, shorter than the device's patience


def in_the_log(link: LiveLink, native_device: NativeDevices, number: int = 0) -> None:
    """Everything that was delivered is what the device took, without a hole."""
    delivered = link.delivered()
    native_device.end()
    produced = native_device.started[0].produced()[number]
    first = int(delivered["index"][0])
    assert (delivered == produced[first : first + len(delivered)]).all()


def carried_by(host: Client) -> int:
    """Bytes of samples so far."""
    return sum(len(each.samples) for _, each in host.heard if isinstance(each, wire.Block))


def test_a_link_shakes_hands_and_every_sample_comes(native_device: NativeDevices) -> None:
    device = native_device()
    link = LiveLink(device.port, SETTINGS)
    link.open()
    link.until(lambda: len(link.blocks) >= 10 * 100 * SECONDS / 10)
    (up,) = link.sessions
    assert (up.new_boot, up.resumed, up.opened.reset_cause) == (True, False, ResetCause.POWER)
    assert link.missing == []
    in_the_log(link, native_device)


def test_a_line_that_is_closed_and_opened_again_goes_on_without_a_hole(native_device: NativeDevices) -> None:
    device = native_device()
    link = LiveLink(device.port, SLOW)
    link.open()
    for part in range(1, 4):
        link.until(lambda part=part: len(link.sessions) == part)  # type: ignore[misc]  # bound by its default
        link.play(0.5)
        link.close()
        act_for(UNPLUGGED_S, "the line is out")
        link.open()
    link.until(lambda: len(link.sessions) == 4)
    link.play(0.5)
    assert [up.resumed for up in link.sessions] == [False, True, True, True]
    assert link.missing == []
    assert link.restarts == []
    in_the_log(link, native_device)


def test_a_link_sees_a_reset_as_another_boot(native_device: NativeDevices) -> None:
    device = native_device()
    link = LiveLink(device.port, SETTINGS)
    link.open()
    link.until(lambda: len(link.blocks) > 20)
    device.reset_by_watchdog()
    link.until(lambda: len(link.sessions) == 2)
    before = len(link.blocks)
    link.until(lambda: len(link.blocks) > before + 20)
    assert len(link.restarts) == 1
    assert link.sessions[1].opened.reset_cause == ResetCause.WATCHDOG
    assert link.sessions[1].new_boot


def test_a_host_that_does_not_read_stops_no_sample_and_its_loss_is_counted(
    native_device: NativeDevices,
) -> None:
    device = native_device(rate=10_000)
    with Client(device.port) as host:
        host.open(SESSION)
        host.ask(wire.Setup(10_000_000, 100, 100, Stream.BRIDGE, 0), wire.SetupReply)
        host.ask(wire.Run(0), wire.Done)
        act_for(NOBODY_READS_S, "nobody reads")
        host.listen(0.8)

        def caught_up() -> bool:
            host.send(wire.Probe(0, 0, 0, 1))  # so that the device goes on streaming
            host.listen(0.1)
            return keeps_up(device, 100)

        wait(caught_up, lambda: f"it has lost samples: {device.state()}")
        blocks = [each for _, each in host.heard if isinstance(each, wire.Block)]
        newest = next(each for _, each in reversed(host.heard) if isinstance(each, wire.Status))
    assert newest.tx_stalls > 0
    assert newest.blocks_overwritten_unsent > 0
    held = sum(int(block.first_index - before.first_index) // 100 - 1 for before, block in pairwise(blocks))
    assert held == newest.blocks_overwritten_unsent
    (boot,) = device.end()
    assert boot.overwritten_unsent == newest.blocks_overwritten_unsent
    assert boot.blocks * 100 <= boot.samples


def test_garbage_is_counted_never_answered_and_harms_nothing(native_device: NativeDevices) -> None:
    device = native_device()
    noise = np.random.default_rng(3).integers(0, 256, 20_000, dtype=np.uint8).tobytes()
    fd = os.open(device.port, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    for at in range(0, len(noise), 1000):
        os.write(fd, noise[at : at + 1000])
        device.state()  # it has had its turn
    os.set_blocking(fd, False)
    with pytest.raises(BlockingIOError):
        os.read(fd, 1)
    os.close(fd)
    with Client(device.port) as host:
        host.open(SESSION)
        status = host.next(wire.Status)
    assert status.rx_bad_cobs + status.rx_bad_crc > 10
    assert status.rx_overrun == 0


@pytest.mark.parametrize("drift_ppm", [400.0, -350.0])
def test_the_timebase_sees_by_how_much_the_clock_is_fast(
    native_device: NativeDevices, drift_ppm: float
) -> None:
    """How wide its interval is depends on the machine, and a link test that it has starved fails and says so.

    That every interval holds the truth does not, nor that one of several excludes zero.
    """
    device = native_device(drift_ppm=drift_ppm)
    told = []
    for _ in range(LINK_TESTS_MAX):
        report = run_link_test(device.port, Wanted(5.0, 1000, 921_600, declared=False), 5, lambda _test: None)
        told.append((report.sentence, report.clock))
        if report.clock is None:
            continue
        within = report.clock.frequency_bound_ppm + 4 * report.clock.frequency_u_ppm
        assert report.clock.frequency_ppm == pytest.approx(drift_ppm, abs=within)
        if report.ok and abs(report.clock.frequency_ppm) > within:
            return
    raise AssertionError(f"no link test was good and excluded zero: {told}")


def test_a_paced_line_carries_no_more_than_its_rate(native_device: NativeDevices) -> None:
    baud = 115_200
    device = native_device(baud=baud)
    with Client(device.port) as host:
        host.open(SESSION)
        setup = wire.Setup(5_000_000, 100, 100, Stream.PATTERN, 0)  # 26 kB/s, twice what the line takes
        host.ask(setup, wire.SetupReply)
        before = device.state()["tick"]
        host.ask(wire.Run(0), wire.Done)
        part = carried = 0
        for _ in range(
            WINDOWS_MAX
        ):  # a machine that starves the device leaves its line idle; one window tells
            part_from = device.state()["tick"]
            host.listen(4.0)
            until = device.state()["tick"]
            part, carried = carried_by(host) - carried, carried_by(host)
            assert carried * BITS_PER_BYTE < baud * ((until - before) * 1e-6 + 0.2)
            if part * BITS_PER_BYTE > 0.5 * baud * (until - part_from) * 1e-6:
                break
        else:
            raise AssertionError(f"in no window half of the line was used: {part} bytes in the last one")
    (boot,) = device.end()
    assert boot.samples > carried // 5  # what the line could not take was sampled all the same


def test_a_paced_line_delays_a_probe_both_ways(native_device: NativeDevices) -> None:
    baud = 4800
    device = native_device(baud=baud)
    way_s = PROBE_WIRE_BYTES * BITS_PER_BYTE / baud
    with Client(device.port) as host:
        host.open(SESSION)
        sent_s = time.monotonic()
        probed = host.ask(wire.Probe(0, 0, 0, 9), wire.Probed)
        heard_s = next(at_s for at_s, each in host.heard if isinstance(each, wire.Probed))
    assert heard_s - sent_s >= 2 * way_s  # a line cannot be faster; how much slower says nothing
    assert probed.tick_tx >= probed.tick_rx


def test_a_device_that_is_plugged_in_again_is_found_behind_the_same_name(
    tmp_path: Path, native_device: NativeDevices
) -> None:
    first = native_device()
    link = LiveLink(first.port, SETTINGS)
    link.open()
    link.until(lambda: len(link.blocks) > 20)
    first.kill()
    link.close()
    second = native_device()
    assert second.port == first.port == str(tmp_path / "device.line")
    link.open()
    link.until(lambda: len(link.sessions) == 2)
    assert link.sessions[1].new_boot
    assert len(link.restarts) == 1
