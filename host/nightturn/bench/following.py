"""Which facts follow when a tape takes records again that has not taken them."""

import msgspec

from nightturn.model import facts
from nightturn.model.records import Host, Record

GO = "go"


def follows(record: Record) -> bool:
    """Whether a record that the tape did not take is told again; a `go` is not, because it was refused."""
    if not isinstance(record, Host):
        return False
    if record.kind == facts.COMMAND:
        return msgspec.msgpack.decode(record.body, type=facts.Command).name != GO
    return record.kind in {facts.FAILURE, facts.CYCLE_FINISHED}
