"""The bad cable itself: it must do what it says, or the tests behind it prove nothing."""

import itertools
import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.device.fault_proxy import KINDS, FaultProxy, Mangler, Rates
from tests.waiting import wait

ALL = Rates(flip=1e-3, drop=1e-3, insert=1e-3, duplicate=1e-3, burst=1e-3, delay=1e-3, hang_up=1e-4)
LIMIT_S = 20.0


def carried(mangler: Mangler, content: bytes, cuts: list[int]) -> bytes:
    edges = [0, *sorted(cut % (len(content) + 1) for cut in cuts), len(content)]
    pieces = [content[a:b] for a, b in itertools.pairwise(edges)]
    return b"".join(mangled.content for piece in pieces for mangled in mangler.feed(piece))


@given(st.integers(0, 1000), st.binary(min_size=1, max_size=3000), st.lists(st.integers(0, 3000), max_size=5))
def test_the_same_seed_does_the_same_however_the_bytes_are_split(
    seed: int, content: bytes, cuts: list[int]
) -> None:
    whole, split = Mangler(seed, ALL), Mangler(seed, ALL)
    assert carried(whole, content, []) == carried(split, content, cuts)
    assert whole.counts == split.counts


@pytest.mark.parametrize("kind", KINDS)
def test_each_mishap_comes_about_as_often_as_asked(kind: str) -> None:
    mangler = Mangler(4, Rates(**{kind: 1e-3}))
    for _ in range(200):
        mangler.feed(bytes(1000))
    assert set(mangler.counts) == {kind}
    # 200 are expected; six standard deviations of a Poisson count on either side.
    assert 115 < mangler.counts[kind] < 285


def test_whole_frames_are_swallowed_and_nothing_else_is_touched() -> None:
    frames = [bytes([1 + number % 255]) * (5 + number % 7) for number in range(5000)]
    mangler = Mangler(9, Rates(frame=0.05))
    through = b"".join(mangled.content for mangled in mangler.feed(b"".join(f + b"\0" for f in frames)))
    left = [piece for piece in through.split(b"\0") if piece]
    assert len(frames) - len(left) == mangler.counts["frame"]
    assert 160 < mangler.counts["frame"] < 345  # 250 are expected; six standard deviations
    remaining = iter(frames)
    assert all(any(piece == frame for frame in remaining) for piece in left)  # in order, none altered


def test_a_healed_line_is_left_alone_from_the_next_frame_on() -> None:
    mangler = Mangler(3, Rates(flip=0.5, frame=1.0))
    mangler.feed(b"torn\0swallo")
    mangler.heal()
    assert carried(mangler, b"wed\0sound\0", []) == b"sound\0"


def test_a_line_without_mishaps_is_left_alone() -> None:
    content = os.urandom(5000)
    assert carried(Mangler(1, Rates()), content, [17, 400]) == content


def test_bytes_pass_both_ways_and_a_hang_up_ends_the_line_and_brings_it_back(tmp_path: Path) -> None:
    master, slave = os.openpty()
    link = tmp_path / "bad.line"
    cut = Rates(hang_up=1 / 300, away_s_max=0.2)
    with FaultProxy(Path(os.ttyname(slave)), link, 3, Rates(), cut) as proxy:
        near = os.open(link, os.O_RDWR | os.O_NOCTTY)
        os.write(master, b"from the device")
        assert os.read(near, 100) == b"from the device"
        os.write(near, b"x" * 10)
        assert os.read(master, 100) == b"x" * 10

        def hung_up() -> bool:
            try:
                os.write(near, b"y" * 50)
            except OSError:  # the line has ended under us, which is the point
                return True
            return proxy.hang_ups > 0

        wait(hung_up, lambda: "it never hung up", LIMIT_S)
        os.close(near)
        wait(link.exists, lambda: "it never came back", LIMIT_S)
        again = os.open(link, os.O_RDWR | os.O_NOCTTY)
        os.write(master, b"here again")
        assert os.read(again, 100).endswith(b"here again")
        os.close(again)
    assert proxy.hang_ups >= 1
    assert not link.exists()
    os.close(slave)
    os.close(master)
