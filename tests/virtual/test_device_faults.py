"""Faults that are switched on at a time, as the host meets them."""

import math

import numpy as np
import pytest
from tests.virtual.line import HostSide

from nightturn_protocol import messages as wire
from nightturn_protocol.messages import DriveMode, EventCode

S = 10**9


def test_a_reset_begins_another_boot_with_index_and_tick_from_0() -> None:
    host = HostSide("pan15?seed=7&fault=reset@2s").streaming()
    first = host.opened()
    host.after(1900)
    assert host.after(300)  # what was said before the reset
    assert host.after(500) == []  # mute after it
    host.session = 78
    opened = host.open(fresh=0, last=(first.boot_id, 77), next_seq=5)
    assert opened.resumed == 0
    assert opened.boot_id != first.boot_id
    assert opened.reset_cause == wire.ResetCause.WATCHDOG
    assert opened.uptime_tick == pytest.approx(700_000, abs=100)
    assert opened.next_index == 701
    host.set_up()
    host.ask(wire.Run(0))
    host.after(500)
    newest = host.blocks()[-5:]
    assert newest[0].flags == wire.SampleFlag.AFTER_GAP
    boots = host.events(EventCode.BOOT)
    assert boots[-1].value_a == wire.ResetCause.WATCHDOG


def test_after_a_reset_the_encoder_knows_its_angle_but_not_its_turns() -> None:
    host = HostSide("pan15?seed=7&fault=reset@9s").streaming()
    host.lease()
    host.drive(DriveMode.TRAVEL, 5.0, counts=2 * 2**20)
    host.keep_going(8500)
    _, _, before = host.series()
    host.after(1000)
    host.heard.clear()
    host.streaming().after(500)
    _, _, after = host.series()
    assert 0 <= after[-1] < 2**20
    assert (before[-1] - after[-1]) % 2**20 == 0
    assert before[-1] - after[-1] >= 2**20


def test_a_reset_stops_the_shaft() -> None:
    host = HostSide("pan15?seed=7&fault=reset@1s").streaming()
    host.lease()
    host.drive(DriveMode.SPEED, 2.0)
    host.after(1500)
    plant = host.device.plant
    assert plant.speed_rad_s(plant.index) == 0.0


def test_an_outage_cuts_the_line_both_ways_and_the_ring_bridges_it() -> None:
    host = HostSide("pan15?seed=7&fault=outage@2s+2s").streaming()
    host.after(1900)
    seqs = [h.seq for h, m in host.heard if isinstance(m, wire.Block)]
    opened = host.opened()
    host.now_ns += 200_000_000
    assert host.device.line_up(2 * S - 1)
    assert not host.device.line_up(2 * S)
    host.after(0)
    for _ in range(17):
        assert host.after(100) == []
        host.device.receive(b"\0", host.now_ns)
    host.now_ns += 100_000_000
    assert host.device.line_up(4 * S)
    host.after(200)
    again = host.open(fresh=0, last=(opened.boot_id, 77), next_seq=seqs[-1] + 1)
    assert again.resumed == 1
    host.put(wire.Resend(seqs[-1] + 1, 60))
    host.after(300)
    index, _, _ = host.series()
    found = np.unique(index)
    assert (np.diff(found) == 1).all()  # nothing is lost for good
    assert host.status().blocks_overwritten_unsent == 0


def test_an_outage_longer_than_the_ring_loses_the_oldest_blocks() -> None:
    host = HostSide("pan15?seed=7&fault=outage@2s+20s").streaming()
    host.after(1900)
    opened = host.opened()
    host.after(21_000)
    again = host.open(fresh=0, last=(opened.boot_id, 77), next_seq=19)
    assert again.resumed == 1
    assert again.oldest_seq > 19
    host.put(wire.Resend(19, 256))
    assert host.listen()
    assert host.of(wire.Gone) == [wire.Gone(19, again.oldest_seq - 19)]


def test_the_samples_are_the_same_with_and_without_an_outage() -> None:
    cut, sound = HostSide("pan15?seed=7&fault=outage@1s+1s").streaming(), HostSide("pan15?seed=7").streaming()
    for host in (cut, sound):
        for _ in range(30):
            host.after(100)
            host.put(wire.EventAck(1))
    known = dict(zip(*(column.tolist() for column in sound.series()[:2]), strict=True))
    index, torque, _ = cut.series()
    assert [known[i] for i in index.tolist()] == torque.tolist()
    assert len(index) < len(known)


def test_a_spall_grows_from_its_onset() -> None:
    host = HostSide("pan15?seed=7&fault=spall@1h")
    heights = []
    for hour in (0.9, 1.1, 2.0, 4.0):
        host.device.advance(round(hour * 3600 * S))
        heights.append(host.device.truth(speed_rad_s=0.3)["spall_nm"])
    assert heights[0] == 0.0
    expected = [0.08 * (1 - math.exp(-hours / 4)) for hours in (0.1, 1.0, 3.0)]
    assert heights[1:] == pytest.approx(expected, rel=0.01)


def test_the_device_tells_when_it_wants_to_be_called() -> None:
    host = HostSide("pan15?fault=guard@10s+1s")
    assert host.device.next_due_ns() <= 10 * S
    host.streaming(10_000)
    calls = 0
    while host.now_ns < S:
        due = host.device.next_due_ns()
        assert due > host.now_ns
        host.after((due - host.now_ns) / 1e6)
        calls += 1
    assert 100 <= calls < 140  # a hundred blocks, ten heartbeats, a few repeats
    assert len(host.blocks()) >= 99


def test_time_that_runs_backwards_changes_nothing() -> None:
    host = HostSide().streaming()
    host.after(1000)
    heard = len(host.heard)
    host.device.advance(0)
    assert host.listen() == []
    host.after(100)
    assert len(host.heard) > heard
