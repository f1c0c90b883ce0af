"""One moment of a link: an input is being worked on by the parts that the link is made of."""

import msgspec

from nightturn.acquisition.control import ControlLane
from nightturn.acquisition.outputs import Output
from nightturn.acquisition.reassembly import DataLane
from nightturn.acquisition.watch import LineWatch


class LinkCounters(msgspec.Struct):
    """Lifetime counts of what was not simply right."""

    malformed: int = 0
    unknown: int = 0
    unknown_must: int = 0
    foreign_session: int = 0
    echoed: int = 0
    ignored: int = 0
    unmatched_replies: int = 0
    restarts: int = 0
    opens: int = 0


class Moment(msgspec.Struct):
    """The stamp of an input, what is said to it, and the link's parts that the handshake moves.

    Made anew for each input and kept by nobody, so every part has one owner, the link.
    """

    at_ns: int
    out: list[Output]
    control: ControlLane
    lane: DataLane
    watch: LineWatch
    counters: LinkCounters

    @property
    def valid_frames(self) -> int:
        """Valid frames of a device, whatever their session."""
        return self.lane.frames + self.counters.foreign_session
