"""What comes into the core of the alarms, and what comes out: the bodies of its log's lines."""

import msgspec

from nightturn.model.alarms import AlarmRow, AlarmState
from nightturn.model.trends import Urgency


class Begun(msgspec.Struct, frozen=True, tag="begun"):
    """A daemon begins to speak for these fixtures; what they do is said anew from here on."""

    boot: str
    version: str
    fixtures: tuple[str, ...]


class Sign(msgspec.Struct, frozen=True, tag="sign", omit_defaults=True):
    """The cause of a condition is there, or gone.

    Attributes:
        said: what happened, a sentence. severity: where it is not the condition's own.
        run: of the fixture. parts: what of the fixture it is about, where that may grow, such as figures.
    """

    fixture: str
    condition: str
    there: bool
    said: str = ""
    severity: Urgency | None = None
    run: str = ""
    parts: tuple[str, ...] = ()


class Acknowledge(msgspec.Struct, frozen=True, tag="acknowledge", omit_defaults=True):
    """A person knows of an alarm; an empty id means all of the fixture that call for somebody."""

    fixture: str
    id: str
    by: str
    reason: str = ""


class SetAside(msgspec.Struct, frozen=True, tag="set_aside"):
    """A person sets a condition of a fixture aside until a time, UTC ns."""

    fixture: str
    id: str
    by: str
    reason: str
    until_ts: int


class OutOfService(msgspec.Struct, frozen=True, tag="out_of_service"):
    """A person takes a condition of a fixture out of service, or with an empty id the fixture: it calls nobody until it is put back."""

    fixture: str
    id: str
    by: str
    reason: str


class PutBack(msgspec.Struct, frozen=True, tag="put_back", omit_defaults=True):
    """A person ends what was set aside or out of service."""

    fixture: str
    id: str
    by: str
    reason: str = ""


class Audited(msgspec.Struct, frozen=True, tag="audited", omit_defaults=True):
    """Something that a person did elsewhere, for the record: `what` is a word such as `signed_in`, `detail` a sentence."""

    what: str
    by: str
    detail: str = ""
    fixture: str = ""


Given = Begun | Sign | Acknowledge | SetAside | OutOfService | PutBack | Audited
"""What the core is given; each is a line of the log."""


class Moved(msgspec.Struct, frozen=True, tag="moved"):
    """An alarm after a change: what it was, why it changed, and whether that calls for a person anew."""

    was: AlarmState
    why: str
    calls: bool
    row: AlarmRow


class Taken(msgspec.Struct, frozen=True):
    """What came of a word; `refusal` says why it changed nothing, a sentence, and is empty where it was taken."""

    moved: tuple[Moved, ...] = ()
    refusal: str = ""
