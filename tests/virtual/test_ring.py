"""The ring of encoded blocks."""

from hypothesis import given
from hypothesis import strategies as st

from nightturn.virtual.ring import Ring


def test_a_block_comes_again_bit_for_bit() -> None:
    ring = Ring(1000)
    ring.push(b"one")
    ring.push(b"two")
    assert ring.again(0) is None  # never sent
    assert [ring.send_next(), ring.send_next()] == [b"one", b"two"]
    assert [ring.again(0), ring.again(1), ring.again(2)] == [b"one", b"two", None]


@given(st.lists(st.tuples(st.integers(1, 60), st.booleans()), max_size=200))
def test_every_block_is_sent_held_or_counted_as_overwritten(story: list[tuple[int, bool]]) -> None:
    ring = Ring(200)
    sent: list[int] = []
    for number, (length, drain) in enumerate(story):
        ring.push(bytes([number % 256]) * length)
        if drain:
            while ring.next_send < ring.next_seq:
                seq = ring.next_send
                assert ring.send_next()[0] == seq % 256
                sent.append(seq)
    waiting = ring.next_seq - ring.next_send
    assert len(sent) + ring.overwritten_unsent + waiting == len(story)
    assert sent == sorted(set(sent))
    assert ring.high_water <= 200
    held = [ring.again(seq) for seq in range(ring.oldest_seq, ring.next_send)]
    assert sum(len(block) for block in held if block is not None) <= 200
    assert None not in held
