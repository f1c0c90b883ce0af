"""Whole link tests: the virtual fixture in virtual time, on good and bad lines, and devices on real ptys."""

import signal
import subprocess
from pathlib import Path

import numpy as np
import pytest
from tests.linktest.lines import DEVICES, NIGHTTURN, on_a_pty
from tests.linktest.playing import BAUD, NONCE, play, wanted
from tests.simulation.lossy_port import Faults, LossyPort

from nightturn.bench.locks import PortLocks
from nightturn.bench.ports import port_at
from nightturn.bench.virtual_port import VirtualPort
from nightturn.linktest.report import Report, report_of
from nightturn.linktest.shell import run_link_test
from nightturn.linktest.stream_choice import Wanted
from nightturn.transport.port import Port
from nightturn.world import Clock

POLL_S = 0.01


def report_on(spec: str, ask: Wanted, faults: Faults | None = None) -> Report:
    """A virtual fixture, its line bent by a seed."""

    def make(clock: Clock) -> Port:
        port = port_at(spec, clock, PortLocks("test"), where="PORT", owner="test", poll_s=POLL_S)
        if faults is None:
            return port
        assert isinstance(port, VirtualPort)
        return LossyPort(port, faults, np.random.default_rng(5))

    return report_of(play(make, ask), spec)


@pytest.mark.parametrize("rate", [100, 1000, 10_000, 50_000])
def test_a_virtual_fixture_is_good_at_every_rate(rate: int) -> None:
    report = report_on("virtual:pan15?seed=7", wanted(5.0, rate))
    assert report.verdict == "good"
    assert report.pattern.samples == pytest.approx(5 * rate, rel=0.05)
    assert report.remarks == ()
    assert report.closed


def test_the_clock_of_a_fixture_is_found_within_its_stated_doubt() -> None:
    clock = report_on("virtual:pan15?seed=7&drift_ppm=35", wanted(30.0)).clock
    assert clock is not None
    assert abs(clock.frequency_ppm - 35) < min(4 * clock.frequency_u_ppm, clock.frequency_bound_ppm)
    assert clock.frequency_u_ppm < 10
    assert clock.offset_bound_us < 1000


def test_a_line_that_loses_and_flips_is_repaired_and_not_a_bit_is_wrong() -> None:
    report = report_on("virtual:pan15?seed=7", wanted(10.0), Faults(drop=0.02, flip=0.03, up_drop=0.02))
    assert report.verdict == "repaired"
    assert report.pattern.repaired_blocks > 5
    assert report.host.bad_crc + report.host.bad_cobs > 5
    assert report.pattern.wrong_bits == 0
    assert report.pattern.missing == {}


def test_bytes_that_are_added_or_come_twice_are_told_but_do_no_harm() -> None:
    report = report_on("virtual:pan15?seed=7", wanted(10.0), Faults(repeat=0.01, garbage=0.01, delay=0.01))
    assert report.ok
    assert report.pattern.wrong_bits == 0
    assert report.host.bad_cobs + report.host.bad_crc + report.host.oversize > 5


def test_a_line_so_noisy_that_recording_would_open_it_anew_is_a_failure() -> None:
    report = report_on("virtual:pan15?seed=7", wanted(10.0), Faults(flip=0.5))
    assert report.verdict == "failed"
    assert "noise" in {finding.kind for finding in report.findings}
    assert report.pattern.wrong_bits == 0


def test_a_ring_too_small_for_a_bad_line_is_a_failure_with_its_cause() -> None:
    report = report_on("virtual:pan15?seed=7&ring_bytes=2048", wanted(10.0), Faults(drop=0.2, up_drop=0.2))
    assert report.verdict == "failed"
    assert report.pattern.missing["link"] > 0
    assert report.pattern.wrong_bits == 0


def test_a_fixture_that_resets_is_a_failure_that_names_the_restart() -> None:
    report = report_on("virtual:pan15?seed=7&fault=reset@3s", wanted(8.0))
    assert report.verdict == "failed"
    assert report.host.restarts == 1
    assert "the device restarted" in report.sentence


def test_a_cable_that_is_cut_is_a_failure() -> None:
    report = report_on("virtual:pan15?seed=7&fault=outage@3s+1s", wanted(8.0))
    assert report.verdict == "failed"
    assert "the line was lost while streaming: the line was lost" in report.sentence


def on_line(link: Path, nonce: int) -> Report:
    """A second of the pattern at a rate that also a busy machine carries."""
    return run_link_test(str(link), Wanted(1.0, 1000, BAUD, declared=False), nonce, lambda _test: None)


# a board that starves for a second beside other tests has failed, and the link test has to say so
@pytest.mark.alone
@pytest.mark.parametrize("device", DEVICES)
def test_a_device_on_a_pty_is_good_and_can_be_tested_again(device: str, tmp_path: Path) -> None:
    with on_a_pty(DEVICES[device], tmp_path) as link:
        for nonce in (NONCE, NONCE + 1):
            report = on_line(link, nonce)
            assert report.ok, report.sentence
            assert report.pattern.samples > 500
            assert report.round_trips.answered > 10
            assert report.closed


@pytest.mark.parametrize("device", DEVICES)
def test_ctrl_c_closes_the_device_and_says_how_far_it_came(device: str, tmp_path: Path) -> None:
    with on_a_pty(DEVICES[device], tmp_path) as link:
        command = [*NIGHTTURN, "linktest", str(link), "--seconds", "600"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            assert child.stderr is not None
            try:
                assert "answers; test pattern for 600 s; nothing is moved" in child.stdout.readline()
                child.send_signal(signal.SIGINT)
                said, complaints = child.stdout.read(), child.stderr.read()
            finally:
                child.kill()
            assert child.wait() == 1
        assert complaints == ""
        assert said.splitlines()[-1].startswith("INTERRUPTED after ")
        assert "not confirmed" not in said
        assert on_line(link, NONCE).ok
