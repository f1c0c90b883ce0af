"""A link that takes up the series of an earlier one, whose host has ended: the device's ring still holds what followed."""

from nightturn.acquisition.link import Link
from nightturn.model.facts import StreamLeft


def take_up(link: Link, left: StreamLeft) -> None:
    """Prepare a link that has not been opened yet: OPEN names the session, and in the same boot the series goes on.

    Another boot, or a session that is over, begins anew as with any other device.
    """
    memory, lane = link.handshake.memory, link.lane
    memory.boot_id, memory.last_session = left.boot_id, left.session
    memory.uptime_tick, memory.set_up_epoch = left.last_tick, left.set_up_epoch
    memory.take_over_events(left.events_through, left.events_newest)
    link.handshake.new_boot = False
    lane.session = left.session
    series = lane.series
    series.expected, series.next_index, series.last_tick = left.next_seq, left.next_index, left.last_tick
    series.fallback_index, series.config_epoch = left.next_index, left.set_up_epoch


def left_by(link: Link, command_no: int) -> StreamLeft | None:
    """Where the series of this link stands; None before its first block."""
    memory, series = link.handshake.memory, link.lane.series
    if not memory.boot_id or not link.session or series.next_index < 0 or memory.set_up_epoch < 0:
        return None
    return StreamLeft(
        boot_id=memory.boot_id,
        session=link.session,
        set_up_epoch=memory.set_up_epoch,
        next_seq=series.expected,
        next_index=series.next_index,
        last_tick=series.last_tick,
        events_through=memory.events_through,
        events_newest=memory.newest_event,
        command_no=command_no,
    )
