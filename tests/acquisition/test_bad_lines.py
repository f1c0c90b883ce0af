"""Any line, however bad: delivered and missing samples make up the produced ones, in order, none altered."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.acquisition.bends import FATES, Unsteady, fates, opened, run_unsteady
from tests.acquisition.fake_device import FakeDevice
from tests.acquisition.line import MS, straight

from nightturn.acquisition.outputs import BlockIn, Restarted, Skipped


@settings(deadline=None, max_examples=60)
@given(
    st.lists(FATES, max_size=40),
    st.lists(FATES, max_size=120),
    st.sets(st.integers(0, 120)),
    st.integers(0, 0xFFFF_FFFF),
    st.sampled_from([100, 4]),
)
def test_delivered_and_missing_samples_make_up_the_produced_ones(
    out: list[str], back: list[str], ticks: set[int], first_seq: int, ring_blocks: int
) -> None:
    line = opened(FakeDevice(next_seq=first_seq, ring_blocks=ring_blocks))
    produced = run_unsteady(line, Unsteady(out), Unsteady(back), 120, sorted(ticks))
    line.assert_whole(0, line.device.next_index)
    for block in line.blocks():
        assert block.body == produced[block.index], "none altered"
    assert not line.waits()
    by_device = sum(m.index_to - m.index_from for m in line.missing() if m.cause == "device")
    assert by_device <= 4 * (180 // 23)
    assert line.restarts() == []
    assert line.faults() == []


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(1, 30), st.integers(0, 150), st.integers(0, 3)), max_size=4),
    st.lists(FATES, max_size=80),
    st.lists(FATES, max_size=30),
)
def test_outages_and_an_unsteady_line_together_lose_no_sample_unsaid(
    outages: list[tuple[int, int, int]], back: list[str], out: list[str]
) -> None:
    line = opened()
    line.to_host, line.to_device = Unsteady(back), Unsteady(out)
    for before, away, seconds in outages:
        line.stream(before)
        line.lose()
        line.device.produce(away)
        line.tick(times=10 * seconds)
        line.open()
    line.to_host = line.to_device = straight
    line.tick(times=30)
    line.stream(60)
    assert line.state == "running"
    line.assert_whole(0, line.device.next_index)
    assert not line.waits()


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_a_steadily_bad_line_loses_no_sample_unsaid(share: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = opened(FakeDevice(next_seq=0xFFFF_FFFF - 200))
    out, back = Unsteady(fates(rng, share, 2000)), Unsteady(fates(rng, share, 2000))
    produced = run_unsteady(line, out, back, 500, range(0, 500, 10))
    line.assert_whole(0, line.device.next_index)
    assert all(block.body == produced[block.index] for block in line.blocks())
    missing = [gap for gap in line.missing() if gap.cause == "link"]
    assert len(missing) <= {0.02: 0, 0.1: 2, 0.3: 60}[share]
    assert line.restarts() == []


@pytest.mark.long
@pytest.mark.parametrize("seed", range(60))
def test_many_bad_lines_with_outages_and_restarts_lose_no_sample_unsaid(seed: int) -> None:
    rng = np.random.default_rng(seed)
    line = opened(FakeDevice(ring_blocks=int(rng.integers(3, 400))))
    reboots = 0
    for _ in range(30):
        share = float(rng.choice([0.0, 0.02, 0.1, 0.3]))
        line.to_host, line.to_device = Unsteady(fates(rng, share, 60)), Unsteady(fates(rng, share, 60))
        line.stream(int(rng.integers(1, 60)))
        line.lose()
        if rng.random() < 0.2:
            line.device.reboot(int(rng.integers(1, 1 << 32)))
            reboots += 1
        elif rng.random() < 0.8:
            line.device.produce(int(rng.integers(0, 500)))
        line.tick(times=int(rng.integers(0, 70)))
        line.open()
        line.to_host = line.to_device = straight
        line.tick(times=12)
    line.stream(60)
    assert line.state == "running"
    assert not line.waits()
    assert len(line.restarts()) == reboots
    restarts = [place for place, output in enumerate(line.said) if isinstance(output, Restarted)]
    said = line.said
    for start, stop in pairwise([0, *restarts, len(said)]):
        line.said = said[start:stop]
        stretches = line.stretches()
        assert all(end == begin for (_, end), (begin, _) in pairwise(stretches))
    ends = [output.record_no for output in said if isinstance(output, BlockIn | Skipped)]
    assert sorted(ends) == line.block_records
    assert line.stretches()[-1][1] == line.device.next_index


@settings(deadline=None, max_examples=15)
@given(st.lists(FATES, max_size=60), st.lists(FATES, max_size=120))
def test_a_link_restored_from_any_snapshot_goes_on_alike(out: list[str], back: list[str]) -> None:
    said = []
    for snapshots in (False, True):
        line = opened()
        line.snapshots = snapshots
        run_unsteady(line, Unsteady(out), Unsteady(back), 60, range(0, 60, 10))
        said.append((line.said, line.sent))
    assert said[0] == said[1]


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(12)), st.sets(st.integers(0, 11)))
def test_any_order_and_any_ticks_give_the_same_blocks(order: list[int], ticks: set[int]) -> None:
    line = opened()
    line.to_device = lambda _: ()
    bodies = line.device.produce(12)
    for position, number in enumerate(order):
        line.now_ns += 10 * MS
        line.carry(line.frame(bodies[number]))
        if position in ticks:
            line.carry(line.link.tick(line.now_ns))
    assert [block.body for block in line.blocks()] == bodies
    assert line.missing() == []
