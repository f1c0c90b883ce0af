"""What the table says of one condition."""

import msgspec

from nightturn.model.trends import TODAY, Urgency


class Condition(msgspec.Struct, frozen=True, kw_only=True):
    """When something is an alarm, how urgent it is, what a person does about it, and what explains it.

    Attributes:
        title: in a few words. todo: what a person does, a sentence; what concerns hands begins with the safe state.
        severity: how urgent; a sign may bring its own.
        on_s: for so long its cause is there before it is an alarm. off_s: for so long it is gone before it has returned.
        passes: its cause is a moment, without an end that anybody reports: it returns by itself `off_s` behind the newest sign.
        latched: a person confirms that the cause is gone.
        times: so many signs within `within_s` make it an alarm; for a cause of moments.
        explained_by: conditions of the same fixture, or of the host, of which this one is a consequence.
    """

    title: str
    todo: str
    severity: Urgency = TODAY
    on_s: float = 0.0
    off_s: float = 0.0
    passes: bool = False
    latched: bool = False
    times: int = 1
    within_s: float = 0.0
    explained_by: tuple[str, ...] = ()
