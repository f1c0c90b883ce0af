"""The order of PROTOCOL.md section 2, watched frame by frame."""

from nightturn_protocol import messages as wire
from nightturn_protocol.framing import Deframer, parse_header

RANKS: dict[int, int] = {
    wire.Probed.KIND: 0,
    wire.Gone.KIND: 2,
    wire.Event.KIND: 3,
    wire.Block.KIND: 4,
    wire.Status.KIND: 5,
    wire.Slow.KIND: 6,
}
ANSWER, LIVE, REPEATED = 1, 4, 7
LIVE_PER_REPEATED = 2


def rank_of(kind: int, seq: int, first_live: int) -> int:
    """Where a frame stands; a BLOCK with a number before the first one never sent is a repeated one."""
    if kind == wire.Block.KIND and seq != first_live:
        return REPEATED
    return RANKS.get(kind, ANSWER)


class Order:
    """What may overtake a live block: nothing but what is more urgent, a STATUS that tells of a hole, and one repeated
    block behind two live ones."""

    def __init__(self) -> None:
        self.live_since = LIVE_PER_REPEATED
        self.told_overwritten = 0

    def sent(self, data: bytes, first_live: int, overwritten: int, *, waits: bool) -> int:
        """Take note of what went out while `waits` says whether a live block waited; its rank."""
        (body,) = Deframer().receive_bytes(data)
        header = parse_header(body)
        rank = rank_of(header.kind, header.seq, first_live)
        if waits and rank > LIVE:
            hole = header.kind == wire.Status.KIND and overwritten != self.told_overwritten
            turn = rank == REPEATED and self.live_since >= LIVE_PER_REPEATED
            assert hole or turn, f"kind {header.kind:#x} overtook a live block"
        if rank == LIVE:
            self.live_since += 1
        elif rank == REPEATED:
            self.live_since = 0
        elif header.kind == wire.Status.KIND:
            self.told_overwritten = overwritten
        return rank
