"""Motion permission: whether the shaft of one fixture may turn, who said so, and what it waits for.

This is bookkeeping, not a safety function. A name is a record and no authentication, and no state here isolates
anything: before anybody reaches into a rig its energy is isolated and locked by the rules that hold there.

`TABLE` is the whole machine. A pair that it does not name leaves everything as it is, and `take` says so by returning
None; a test goes through every pair of state and cause. What happens outside (drive off, lamp, lease) follows from the
`Change` that `take` returns.
"""

from collections.abc import Mapping
from enum import StrEnum

import msgspec

from nightturn.model.facts import Bound

REASONS_MAX = 20
"""So many reasons of a lock are kept; the oldest stay, because they came first."""


class MotionState(StrEnum):
    """What the shaft may do."""

    LOCKED = "locked"
    ALLOWED = "allowed"
    ANNOUNCED = "announced"
    TURNING = "turning"
    STOPPING = "stopping"
    PAUSED = "paused"
    ENDED = "ended"


class Cause(StrEnum):
    """What can change it."""

    GO = "go"
    RESUMED = "resumed"
    READY = "ready"
    COUNTED_DOWN = "counted_down"
    LAPSED = "lapsed"
    PAUSE = "pause"
    STOP = "stop"
    FINISHED = "finished"
    PARKED = "parked"
    INTERVENTION = "intervention"
    TRIPPED = "tripped"
    NEW_BOOT = "new_boot"
    LOST = "lost"
    STILL = "still"
    NOT_STILL = "not_still"


FOR_A_PERSON = frozenset(
    {Cause.INTERVENTION, Cause.TRIPPED, Cause.NEW_BOOT, Cause.NOT_STILL, Cause.LAPSED, Cause.PARKED}
)
"""After these only a person's `go` lets the shaft turn again."""
OUTLIVES_A_RUN = frozenset({Cause.TRIPPED, Cause.NOT_STILL})
"""Reasons that nothing but the host's record knows; one that no person has answered locks the next run as well."""
BY_A_PERSON = frozenset({Cause.GO, Cause.PAUSE, Cause.STOP})
"""These need a name."""

_TURNING = MotionState.TURNING  # a look-up in the class costs more than the comparison
_S, _C = MotionState, Cause
_ENDS = {_C.STOP: _S.ENDED, _C.FINISHED: _S.ENDED}
_LOCKS = {_C.INTERVENTION: _S.LOCKED, _C.TRIPPED: _S.LOCKED, _C.NEW_BOOT: _S.LOCKED}

TABLE: Mapping[MotionState, Mapping[Cause, MotionState]] = {
    _S.LOCKED: {**_ENDS, **_LOCKS, _C.GO: _S.ALLOWED, _C.RESUMED: _S.ALLOWED, _C.NOT_STILL: _S.LOCKED},
    _S.PAUSED: {**_ENDS, **_LOCKS, _C.GO: _S.ALLOWED, _C.NOT_STILL: _S.LOCKED},
    _S.ALLOWED: {
        **_ENDS,
        **_LOCKS,
        _C.PAUSE: _S.PAUSED,
        _C.LAPSED: _S.LOCKED,
        _C.READY: _S.ANNOUNCED,
    },
    _S.ANNOUNCED: {
        **_ENDS,
        **_LOCKS,
        _C.PAUSE: _S.PAUSED,
        _C.LAPSED: _S.LOCKED,
        _C.LOST: _S.LOCKED,
        _C.COUNTED_DOWN: _S.TURNING,
    },
    _S.TURNING: {
        **_ENDS,
        _C.PAUSE: _S.STOPPING,
        _C.PARKED: _S.STOPPING,
        _C.INTERVENTION: _S.STOPPING,
        _C.TRIPPED: _S.STOPPING,
        _C.NEW_BOOT: _S.STOPPING,
        _C.LOST: _S.STOPPING,
    },
    _S.STOPPING: {
        **_ENDS,
        _C.PAUSE: _S.STOPPING,
        _C.INTERVENTION: _S.STOPPING,
        _C.TRIPPED: _S.STOPPING,
        _C.NEW_BOOT: _S.STOPPING,
        _C.LOST: _S.STOPPING,
        _C.STILL: _S.STOPPING,  # `Permission.target` says where it leads
        _C.NOT_STILL: _S.LOCKED,
    },
    _S.ENDED: {},
}


class LockReason(msgspec.Struct, frozen=True):
    """Why nothing may turn: what happened, in a sentence, and when by UTC, ns."""

    cause: Cause
    text: str
    ts: int


class Change(msgspec.Struct, frozen=True):
    """A transition: from which state to which, why, and whose word it was."""

    was: MotionState
    now: MotionState
    cause: Cause
    text: str
    by: str


class Permission(msgspec.Struct):
    """The one owner of motion permission of a fixture.

    Attributes:
        state: what the shaft may do; read by state, events, MQTT, `status` and manifest alike.
        since_ns: host clock at which it began.
        reasons: why it is locked, oldest first; a person's `go` clears them all.
        text: the sentence of the last transition.
        target: where `stopping` leads once the shaft stands.
        by: who gave permission last.
        go_ns: when, host clock; `go_record_no` its record, which must be durable before anything is commanded.
        resumes: how often motion has gone on by itself since then.
        resuming: whether the present permission is such a one.
        interrupted_ns: when the motion stopped that may go on by itself; the outage counts from here, however it is spent.
        refusal: why the last `go` was refused; empty when it was not.
        unchanged: what a person reads when the last command changed nothing; empty when it did.
        bound: what the permission was given for.
        guard_seen_open: whether the input word has shown the guard open since the last run ended.
        lamp_ns: when the warning lamp was last asked to be on; `lamp_seq` the request that waits for its answer.
    """

    state: MotionState = MotionState.LOCKED
    since_ns: int = 0
    reasons: list[LockReason] = []
    text: str = "no permission yet"
    target: MotionState = MotionState.LOCKED
    by: str = ""
    go_ns: int = 0
    go_record_no: int = -1
    resumes: int = 0
    resuming: bool = False
    interrupted_ns: int = 0
    refusal: str = ""
    unchanged: str = ""
    bound: Bound | None = None
    guard_seen_open: bool = False
    lamp_ns: int = 0
    lamp_seq: int | None = None

    @property
    def may_turn(self) -> bool:
        """Whether the plan may command the drive."""
        return self.state is _TURNING

    def take(self, cause: Cause, text: str, *, at_ns: int, ts: int, by: str = "") -> Change | None:
        """Make the transition of a cause; None when the table has none from here.

        Args:
            cause: what happened.
            text: the same as a sentence.
            at_ns: host clock.
            ts: UTC, ns.
            by: whose word it is.
        """
        was, now = self.state, TABLE[self.state].get(cause)
        if now is None or (cause is Cause.RESUMED and self.reasons):  # a reason waits for a person
            return None
        if cause is Cause.STILL:
            return self._arrived(at_ns, ts)
        if now is MotionState.STOPPING:
            self._aim(cause)
            self.interrupted_ns = at_ns if was is MotionState.TURNING else self.interrupted_ns
        if cause in FOR_A_PERSON or (cause is Cause.LOST and now is MotionState.LOCKED):
            self._lock(LockReason(cause, text, ts))
        if now is MotionState.ALLOWED and cause in {Cause.GO, Cause.RESUMED}:
            self.reasons = []
        if now is not was:
            self.since_ns = at_ns
        self.state, self.text = now, text
        return Change(was, now, cause, text, by)

    def permit(self, by: str, *, at_ns: int, record_no: int, bound: Bound | None = None) -> None:
        """Note whose permission it is; `take` with `go` made it."""
        self.by, self.go_ns, self.go_record_no, self.bound = by, at_ns, record_no, bound
        self.resumes, self.resuming, self.refusal = 0, False, ""

    def go_on(self, *, age_ns: int, stopped_ns: int, resumes: int) -> None:
        """The permission noted last is an older one, by which motion that stopped then goes on by itself once more."""
        self.go_ns -= age_ns
        self.resumes, self.resuming, self.interrupted_ns = resumes + 1, True, stopped_ns

    def commanded(self) -> None:
        """A person's command comes: what was said of the one before is over."""
        self.refusal = self.unchanged = ""

    def leave(self, why: str) -> None:
        """A person's command changed nothing."""
        self.unchanged = why

    def refuse(self, why: str) -> None:
        """A `go` changed nothing."""
        self.refusal = why

    def note(self, text: str) -> None:
        """What people read until the next transition."""
        self.text = text

    def keep(self, cause: Cause, text: str, ts: int) -> None:
        """Something happened while the run ended, or ended it: whoever permits motion in the next one answers for it."""
        self._lock(LockReason(cause, text, ts))

    def lock_again(self, reasons: list[LockReason], at_ns: int) -> None:
        """Motion waits for what it waited for before the host restarted."""
        self.reasons, self.since_ns = reasons, at_ns
        if reasons:
            self.text = reasons[-1].text

    def see_guard_open(self) -> None:
        """The input word has shown the guard open."""
        self.guard_seen_open = True

    def stay(self) -> None:
        """The stop under way leads to the lock, whatever it was to lead to."""
        self.target = MotionState.LOCKED

    def lamp_asked(self, seq: int, on_ns: int) -> None:
        """The warning lamp was asked for under this number; `on_ns` is when, or 0 for off."""
        self.lamp_seq, self.lamp_ns = seq, on_ns

    def lamp_answered(self) -> None:
        """No answer about the lamp is waited for."""
        self.lamp_seq = None

    def resume_after_stop(self) -> None:
        """The stop under way leads back to the permission that was given, unless a person paused or has to look."""
        if self.state is MotionState.STOPPING and self.target is MotionState.LOCKED and not self.reasons:
            self.target = MotionState.ALLOWED

    def _arrived(self, at_ns: int, ts: int) -> Change:
        """The shaft stands: the stop leads where it was to lead."""
        self.state, self.since_ns = self.target, at_ns
        if self.state is MotionState.LOCKED and not self.reasons:
            self._lock(LockReason(Cause.LOST, self.text, ts))
        elif self.state is MotionState.ALLOWED:
            self.resumes, self.resuming = self.resumes + 1, True
        return Change(MotionState.STOPPING, self.state, Cause.STILL, self.text, "")

    def _aim(self, cause: Cause) -> None:
        """Where the stop leads: never to more than before."""
        if self.state is MotionState.TURNING:
            self.target = MotionState.PAUSED if cause is Cause.PAUSE else MotionState.LOCKED
        elif cause in FOR_A_PERSON:
            self.target = MotionState.LOCKED
        elif cause is Cause.PAUSE and self.target is MotionState.ALLOWED:
            self.target = MotionState.PAUSED

    def _lock(self, reason: LockReason) -> None:
        if len(self.reasons) < REASONS_MAX and all(
            reason.text != known.text or reason.cause is not known.cause for known in self.reasons
        ):
            self.reasons.append(reason)
