"""What the core of the alarms keeps of one condition of one fixture."""

import msgspec

from nightturn.alarms.condition import Condition
from nightturn.alarms.conditions import FLOOD, condition_of
from nightturn.alarms.lifecycle import THERE
from nightturn.model.alarms import HOST, AlarmRow, AlarmState, Put
from nightturn.model.clocks import NS_PER_S
from nightturn.model.trends import NOTE, URGENCIES, Urgency

HITS_MAX = 32
BY_FLOOD = f"{HOST}/{FLOOD}"


class Kept(msgspec.Struct):
    """One condition of one fixture, whether it is an alarm now or not.

    Attributes:
        there: whether its cause is, by the newest sign; there_ts: since when.
        raise_ts: when it becomes an alarm if its cause stays; return_ts: when it has returned if its cause stays away; None: not waited for.
        hits: when its signs came, where only several make an alarm.
        called_ts: when it last called for a person; 0: never.
    """

    fixture: str
    id: str
    state: AlarmState = AlarmState.NORMAL
    number: int = 0
    there: bool = False
    there_ts: int = 0
    raise_ts: int | None = None
    return_ts: int | None = None
    hits: list[int] = []
    said: str = ""
    severity: Urgency = NOTE
    parts: tuple[str, ...] = ()
    run: str = ""
    since_ts: int = 0
    newest_ts: int = 0
    times: int = 0
    called_ts: int = 0
    acknowledged_by: str = ""
    acknowledged_ts: int | None = None
    returned_ts: int | None = None
    explained_by: str = ""
    set_aside: Put | None = None
    out_of_service: Put | None = None

    @property
    def key(self) -> tuple[str, str]:
        """Fixture and condition."""
        return self.fixture, self.id

    @property
    def name(self) -> str:
        """As other alarms name it."""
        return f"{self.fixture}/{self.id}"

    @property
    def condition(self) -> Condition:
        """Its row of the table."""
        return condition_of(self.id)

    @property
    def open(self) -> bool:
        """Whether it is in the list."""
        return self.state is not AlarmState.NORMAL

    @property
    def lasts(self) -> bool:
        """Whether its cause is there, and it is an alarm."""
        return self.state in THERE

    @property
    def idle(self) -> bool:
        """Whether nothing is known of it that has to be kept."""
        put = self.set_aside is not None or self.out_of_service is not None
        return not (self.open or self.there or put or self.hits)

    @property
    def due_ts(self) -> int | None:
        """When time alone changes it next."""
        until = self.set_aside.until_ts if self.set_aside is not None else None
        dues = [each for each in (self.raise_ts, self.return_ts, until) if each is not None]
        return min(dues, default=None)

    def hit(self, ts: int) -> bool:
        """A moment's sign: whether there were enough of them."""
        condition = self.condition
        if condition.times <= 1:
            return True
        since_ts = ts - round(condition.within_s * NS_PER_S)
        self.hits = [*(each for each in self.hits if each > since_ts), ts][-HITS_MAX:]
        return len(self.hits) >= condition.times

    def row(self, *, out: Put | None, gathers: int = 0) -> AlarmRow:
        """As people see it; `out` is what holds of its whole fixture."""
        condition = self.condition
        return AlarmRow(
            id=self.id,
            fixture=self.fixture,
            number=self.number,
            severity=self.severity,
            title=condition.title,
            state=self.state,
            said=self.said,
            todo=condition.todo,
            since_ts=self.since_ts,
            newest_ts=self.newest_ts,
            times=self.times,
            run=self.run,
            acknowledged_by=self.acknowledged_by,
            acknowledged_ts=self.acknowledged_ts,
            returned_ts=self.returned_ts,
            latched=condition.latched,
            passing=condition.passes,
            explained_by=self.explained_by,
            set_aside=self.set_aside,
            out_of_service=self.out_of_service or out,
            gathers=gathers,
        )


def more_urgent(one: Urgency, other: Urgency) -> bool:
    """Whether one is more urgent than the other."""
    return URGENCIES.index(one) > URGENCIES.index(other)


class State(msgspec.Struct):
    """Everything that the core knows.

    Attributes:
        ts: of the newest word or moment. numbers: of alarms so far. kept: by fixture and condition, in the order in which they came.
        out: fixtures that are out of service. recent: when alarms called for a person lately. flooding: whether they come in a flood.
        unlisted: alarms that found no place.
    """

    ts: int = 0
    numbers: int = 0
    kept: dict[str, Kept] = {}
    out: dict[str, Put] = {}
    recent: list[int] = []
    flooding: bool = False
    unlisted: int = 0


VERSION = 1
_encode = msgspec.msgpack.Encoder().encode
_decode = msgspec.msgpack.Decoder(tuple[int, State]).decode


def to_bytes(state: State) -> bytes:
    """The state as bytes, with the version of its layout."""
    return _encode((VERSION, state))


def from_bytes(packed: bytes) -> State:
    """The state again.

    Raises:
        msgspec.DecodeError: the bytes are no state of this version.
    """
    version, state = _decode(packed)
    if version != VERSION:
        raise msgspec.DecodeError(f"the state is of version {version}, this program knows {VERSION}")
    return state
