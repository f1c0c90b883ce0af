"""The input driver against contacts that bounce: what motion needs is lost at once, everything else waits."""

import ctypes
from dataclasses import dataclass, field

from hypothesis import given
from hypothesis import strategies as st
from tests.device.drivers import INPUTS_MAX, Inputs, InputsConfig, library

NEEDED, AGAINST, PLAIN, LOW = 0x0001, 0x0008, 0x0100, 0x0200
WIRED = NEEDED | AGAINST | PLAIN | LOW


@dataclass
class Board:
    """An input word with one bit of each sort."""

    steady: int = 5
    wired: int = WIRED
    inputs: Inputs = field(default_factory=Inputs)

    def __post_init__(self) -> None:
        steady = (ctypes.c_uint8 * INPUTS_MAX)(*[self.steady] * INPUTS_MAX)
        self.config = InputsConfig(self.wired, LOW, NEEDED, AGAINST, steady)
        library().nt_inputs_init(ctypes.byref(self.inputs), ctypes.byref(self.config))

    def take(self, active: int) -> int:
        """One sample with these bits active; the word."""
        word: int = library().nt_inputs_take(ctypes.byref(self.inputs), active ^ LOW)
        return word

    def settle(self, active: int) -> int:
        """As many samples as it takes."""
        return [self.take(active) for _ in range(self.steady + 1)][-1]


words = st.integers(0, 0xFFFF)


def test_a_board_starts_on_the_side_that_forbids_motion() -> None:
    board = Board()

    assert board.inputs.word == AGAINST


def test_a_change_is_believed_after_as_many_samples_as_it_must_last() -> None:
    board = Board(steady=4)
    board.settle(0)

    assert [board.take(PLAIN) for _ in range(5)] == [0, 0, 0, PLAIN, PLAIN]
    assert [board.take(0) for _ in range(5)] == [PLAIN, PLAIN, PLAIN, 0, 0]


def test_an_input_without_a_time_follows_at_once() -> None:
    board = Board(steady=0)

    assert [board.take(PLAIN), board.take(0), board.take(PLAIN | NEEDED)] == [PLAIN, 0, PLAIN | NEEDED]


@given(history=st.lists(words, max_size=60))
def test_an_input_that_motion_needs_is_never_shown_while_its_pin_says_no(history: list[int]) -> None:
    board = Board()
    board.settle(NEEDED)
    for active in history:
        assert board.take(active) & NEEDED <= active & NEEDED


@given(history=st.lists(words, max_size=60))
def test_an_input_that_forbids_motion_is_never_hidden_while_its_pin_says_yes(history: list[int]) -> None:
    board = Board()
    board.settle(0)
    for active in history:
        assert board.take(active) & AGAINST >= active & AGAINST


@given(history=st.lists(words, max_size=60), steady=st.integers(1, 9))
def test_whatever_lets_motion_begin_was_steady_for_its_time(history: list[int], steady: int) -> None:
    board = Board(steady)
    before: list[int] = []
    word = board.inputs.word
    for active in history:
        before.append(active)
        now = board.take(active)
        recent = before[-steady:]
        if now & NEEDED and not word & NEEDED:
            assert len(recent) == steady
            assert all(each & NEEDED for each in recent)
        if not now & AGAINST and word & AGAINST:
            assert len(recent) == steady
            assert not any(each & AGAINST for each in recent)
        word = now


@given(bounces=st.lists(st.integers(1, 4), min_size=1, max_size=20))
def test_a_contact_that_bounces_shorter_than_its_time_changes_nothing(bounces: list[int]) -> None:
    board = Board(steady=5)
    board.settle(0)
    seen = set()
    for length, active in zip(bounces, [PLAIN, 0] * len(bounces), strict=False):
        seen |= {board.take(active) & PLAIN for _ in range(length)}

    assert seen == {0}


@given(bounces=st.lists(st.integers(1, 4), max_size=20))
def test_a_guard_that_bounces_open_is_open_from_the_first_bounce_on_and_once(bounces: list[int]) -> None:
    board = Board(steady=5)
    board.settle(NEEDED)
    shown = []
    for length, active in zip([1, *bounces], [0, NEEDED] * (len(bounces) + 1), strict=False):
        shown += [board.take(active) & NEEDED for _ in range(length)]

    assert shown == [0] * len(shown)


@given(history=st.lists(words, max_size=40), wired=words)
def test_a_pin_that_is_not_wired_shows_as_0(history: list[int], wired: int) -> None:
    board = Board(wired=wired)

    assert all(board.take(active) & ~wired == 0 for active in history)


@given(history=st.lists(words, max_size=40))
def test_each_bit_is_on_its_own(history: list[int]) -> None:
    together, alone = Board(), {bit: Board() for bit in (NEEDED, AGAINST, PLAIN, LOW)}
    for active in history:
        word = together.take(active)
        for bit, board in alone.items():
            assert board.take(active & bit) & bit == word & bit


@given(history=st.lists(words, min_size=2, max_size=40))
def test_an_active_low_pin_is_its_own_opposite(history: list[int]) -> None:
    board = Board(steady=1)
    shown = [board.take(active) & LOW for active in history]

    assert shown == [active & LOW for active in history]
