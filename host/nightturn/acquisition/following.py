"""A link that follows a tape on which requests stand that nobody makes here, as in a replay of figures.

The plan's requests took numbers of the control lane. Without the plan they are read from the replies, so that the
link's own requests keep the numbers that they had when they were made.
"""

from nightturn.acquisition.blocks import KIND_AT
from nightturn.acquisition.control import Outstanding
from nightturn.acquisition.link import Link
from nightturn.acquisition.states import LinkState
from nightturn_protocol.conversation import seq_add, seq_after
from nightturn_protocol.framing import HEADER
from nightturn_protocol.messages import BY_KIND, Block, Opened, Probed, Refused

REPLY_KINDS = frozenset(
    {kind.REPLY_KIND for kind in BY_KIND.values() if kind.REPLY_KIND} | {Refused.KIND}
) - {Probed.KIND}
BLOCK_KIND, PROBED_KIND, OPENED_KIND = int(Block.KIND), int(Probed.KIND), int(Opened.KIND)


def follow(link: Link, at_ns: int, body: bytes) -> bool:
    """Prepare the link for a frame of the tape; whether it still has to be given to the link.

    The answer to a probe on a steady line can change nothing but the count of frames, so it is only counted: there are
    as many of them as of anything but blocks.
    """
    kind = body[KIND_AT]
    if kind == BLOCK_KIND:
        return True
    if kind == PROBED_KIND and 0 <= link.lane.fast_session == _session(body) and at_ns < link.due_ns:
        link.lane.frames += 1
        return False
    if kind in REPLY_KINDS and len(body) >= HEADER.size:
        _align(link, kind, int(HEADER.unpack_from(body)[3]))
    return True


def _session(body: bytes) -> int:
    return int(HEADER.unpack_from(body)[2])


def _align(link: Link, kind: int, seq: int) -> None:
    """Take the number of our request from its reply."""
    control = link.control
    if link.state == LinkState.OPENING and kind in {OPENED_KIND, Refused.KIND}:
        if seq_after(seq, link.handshake.open_seq):
            link.handshake.open_seq = seq
    elif seq not in control.waiting:
        own = next((request for request in control.waiting.values() if _may_end(request, kind, seq)), None)
        if own is not None:
            del control.waiting[own.seq]
            own.seq = seq
            control.waiting[seq] = own
    if not seq_after(control.next_seq, seq):
        control.next_seq = seq_add(seq, 1)


def _may_end(request: Outstanding, kind: int, seq: int) -> bool:
    """Whether a reply can be the one to our request: the right kind, and numbered after it."""
    return kind in {request.reply_kind, Refused.KIND} and seq_after(seq, request.seq)
