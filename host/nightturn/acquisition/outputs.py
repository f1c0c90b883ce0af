"""What the link says: everything a fixture has to know about its device, in order.

msgspec structs rather than dataclasses: a `BlockIn` is built for every block, and costs a seventh this way.
"""

import msgspec

from nightturn_protocol import messages
from nightturn_protocol.messages import Message

DUPLICATE = "duplicate"
LATE = "late"
FOREIGN = "foreign"
MALFORMED = "malformed"

BY_LINK = "link"
BY_DEVICE = "device"
BY_OVERWRITING = "overwritten"
BY_HOST = "host"


class SendFrame(msgspec.Struct, frozen=True):
    """A frame for the device: header and payload, before CRC, COBS and delimiter."""

    body: bytes


class SessionUp(msgspec.Struct, frozen=True):
    """The handshake is done: the sheet is known, the stream set up and running.

    `new_boot` is true for the first session with a device and after each of its restarts; `resumed` when the
    session from before an outage goes on, with its data sequence.
    """

    opened: messages.Opened
    sheet: bytes
    new_boot: bool
    resumed: bool


class BlockIn(msgspec.Struct, frozen=True, gc=False):
    """The next block of the series, in order of its data sequence number.

    `position` is where the encoder was at its first sample, counts; `body` is the whole frame body.
    """

    record_no: int
    seq: int
    index: int
    tick: int
    position: int
    count: int
    flags: int
    inputs: int
    body: bytes


class Skipped(msgspec.Struct, frozen=True):
    """A BLOCK frame that is not in series: `why` is `duplicate`, `late`, `foreign` or `malformed`.

    Every BLOCK record ends as exactly one `BlockIn` or one `Skipped`.
    """

    record_no: int
    why: str


class Missing(msgspec.Struct, frozen=True):
    """Device sample numbers [`index_from`, `index_to`) will not come.

    `cause` is `link` (lost on the line and no longer in the ring), `device` (never sampled) or `overwritten`
    (the device's ring went round before they were sent) or `host` (the host stood still meanwhile, and then they were
    no longer in the ring).
    """

    cause: str
    index_from: int
    index_to: int


class DeviceEvent(msgspec.Struct, frozen=True):
    """An EVENT, once per boot and event number."""

    event: messages.Event


class SlowIn(msgspec.Struct, frozen=True):
    """Slow channels."""

    slow: messages.Slow


class StatusIn(msgspec.Struct, frozen=True):
    """The device's heartbeat."""

    status: messages.Status


class ProbedIn(msgspec.Struct, frozen=True):
    """The answer to a clock probe; `at_ns` is the stamp of the read that completed it."""

    probed: messages.Probed
    at_ns: int


class Reply(msgspec.Struct, frozen=True):
    """The answer to a request made through `Link.request`; None after the last retry stayed unanswered."""

    request_seq: int
    request_kind: int
    message: Message | None


class LinkFault(msgspec.Struct, frozen=True):
    """Something is wrong with the link; `detail` is a sentence for a person.

    `kind` is `wrong_major`, `foreign` (bytes come, valid frames never do), `refused`, `no_answer`, `sheet`,
    `malformed`, `noise` (too many bad frames while streaming) or `silent` (no valid frame while streaming).
    """

    kind: str
    detail: str


class Restarted(msgspec.Struct, frozen=True):
    """The device has restarted: its boot id changed, or its clock or sample number went backwards."""

    boot_id: int
    reset_cause: int


Output = (
    SendFrame
    | SessionUp
    | BlockIn
    | Skipped
    | Missing
    | DeviceEvent
    | SlowIn
    | StatusIn
    | ProbedIn
    | Reply
    | LinkFault
    | Restarted
)
