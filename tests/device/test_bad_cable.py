"""Daemon and firmware over a bad cable: delivered samples + recorded gaps = produced samples, in order, none altered."""

from pathlib import Path

import pytest
from tests.daemon.processes import Processes
from tests.device.fault_proxy import FaultProxy, Rates
from tests.device.native import NativeDevices
from tests.device.recording import Account, account_for, newest_status, verified
from tests.device.test_daemon_on_firmware import rig, serving
from tests.waiting import act_for, wait

NOISY = Rates(flip=1e-5, drop=1e-5, insert=1e-5, duplicate=5e-6, burst=5e-6, delay=2e-6)
SHORT_S = 0.2  # with the host's patience before it opens again still within the ring
LONG_S = 3.0  # more than the ring holds
RATE_HZ = 10_000
PART_S, PART_LONG_S = 3.0, 5.0
LINK = "bad.line"
MISHAPS = {"flip", "drop", "insert", "duplicate", "burst"}

pytestmark = pytest.mark.alone
PARTS = pytest.mark.parametrize("part_s", [PART_S, pytest.param(PART_LONG_S, marks=pytest.mark.long)])


def recorded(
    folder: Path,
    processes: Processes,
    native_device: NativeDevices,
    seed: int,
    part_s: float,
    away_s: tuple[float, ...] = (),
) -> tuple[Account, FaultProxy]:
    """Record through the bad cable, which also goes away for so long now and then; set it against what was produced."""
    device = native_device(seed=seed)
    with FaultProxy(Path(device.port), folder / LINK, seed, NOISY, NOISY) as proxy:
        serve = serving(processes, rig(folder, {"pan-a1": str(folder / LINK)}, RATE_HZ), 1)
        act_for(part_s, "stream through the cable")
        for seconds in away_s or (0.0,):
            proxy.hang_up(seconds)
            act_for(part_s, "stream through the cable")
        wait(lambda: set(proxy.counts) >= MISHAPS, lambda: f"too good a line: {proxy.counts}")
        proxy.heal()
        assert serve.interrupt() == 0
    device.end()
    (produced,) = device.produced()  # one boot: it has not started again
    root = folder / "nights"
    verified(root)
    return account_for(root, "pan-a1", 0, produced), proxy


@pytest.mark.parametrize(
    ("seed", "part_s"),
    [
        (3, PART_S),
        pytest.param(3, PART_LONG_S, marks=pytest.mark.long),
        pytest.param(11, PART_LONG_S, marks=pytest.mark.long),
    ],
)
def test_what_a_noisy_line_loses_comes_again(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, seed: int, part_s: float
) -> None:
    account, proxy = recorded(tmp_path, processes, native_device, seed, part_s)
    assert set(proxy.counts) >= MISHAPS
    assert newest_status(tmp_path / "nights", "pan-a1").resent > 0
    assert account.missing == 0  # the ring could mend every loss
    assert account.delivered > RATE_HZ * part_s


@PARTS
def test_a_line_that_comes_back_in_time_leaves_no_gap(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, part_s: float
) -> None:
    account, proxy = recorded(tmp_path, processes, native_device, 5, part_s, (SHORT_S, SHORT_S))
    assert proxy.hang_ups == 2
    assert account.missing == 0


@PARTS
def test_a_line_that_stays_away_leaves_exactly_the_gap_that_is_recorded(
    tmp_path: Path, processes: Processes, native_device: NativeDevices, part_s: float
) -> None:
    account, proxy = recorded(tmp_path, processes, native_device, 8, part_s, (LONG_S,))
    assert proxy.hang_ups == 1
    assert account.missing > RATE_HZ  # away for 3 s with a ring of 1.2 s
    assert set(account.causes) <= {"link", "overwritten"}
