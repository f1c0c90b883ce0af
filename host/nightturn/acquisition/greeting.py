"""What a link remembers of its device, and the words of the handshake."""

import msgspec

from nightturn_protocol import messages
from nightturn_protocol.errors import SheetError
from nightturn_protocol.messages import BY_KIND, SHEET_BYTES_MAX, Opened, Reason
from nightturn_protocol.sheet import digest_of, parse_sheet

SESSIONS = 0xFFFF
NO_EVENT = -1

_REASON_WORDS = {
    Reason.NONE: "no reason given",
    Reason.UNKNOWN_KIND: "the device does not know this request",
    Reason.MALFORMED: "the device could not read the request",
    Reason.OUT_OF_RANGE: "a value is out of the device's range",
    Reason.NOT_NOW: "not in the device's present state",
    Reason.NO_LEASE: "no motion lease is running",
    Reason.LEASE_LIMIT: "it is more than the motion lease allows",
    Reason.LATCHED: "a latched event must be cleared first",
    Reason.TOO_LATE: "it arrived after its time limit",
    Reason.NOT_FINITE: "a value is not a finite number",
    Reason.UNSUPPORTED: "the device does not have this feature",
    Reason.INTERLOCK: "an interlock is open",
    Reason.VERSION: "the device uses another version of the protocol",
}


class Memory(msgspec.Struct):
    """What outlives a lost line: the boot, the set-up in force, the sheet and the events already told.

    `boot_id` is 0 before the first contact. `set_up_epoch` is the device's count of SETUPs after ours, -1 when
    what is set up is not ours. `features` are those that the sheet names. `newest_latched` is the number of the newest
    event seen that needs CLEAR, 0 = none. Up to `events_through` every event of the boot was seen, counted from the first that
    was, and `newest_event` is the newest that was; `NO_EVENT` before it.
    """

    boot_id: int = 0
    last_session: int = 0
    uptime_tick: int = -1
    set_up_epoch: int = -1
    sheet: bytes = b""
    sheet_digest: int = 0
    features: tuple[str, ...] = ()
    sheet_parts: bytes = b""
    sheet_total: int = -1
    events_told: list[int] = []
    newest_latched: int = 0
    newest_event: int = NO_EVENT
    events_through: int = NO_EVENT

    def take_over_events(self, through: int, newest: int) -> None:
        """What an earlier core has seen of this boot's events: all up to `through`, and the newest of all."""
        self.events_through, self.newest_event = through, newest

    def take_over_latched(self, event_no: int) -> None:
        """An earlier core has seen this event of the boot, which needs CLEAR."""
        self.newest_latched = max(self.newest_latched, event_no)

    def forget_boot(self) -> None:
        """The device has restarted; the sheet stays, it is known by its digest."""
        self.last_session = 0
        self.uptime_tick = -1
        self.set_up_epoch = -1
        self.events_told.clear()
        self.newest_latched = self.newest_event = self.events_through = 0

    def first_told(self, event: messages.Event) -> bool:
        """Whether this event is new; remembers it. A device repeats at most EVENTS_KEPT events."""
        event_no = event.event_no
        if event.latched:
            self.newest_latched = max(self.newest_latched, event_no)
        if event_no in self.events_told:
            return False
        self.events_told.append(event_no)
        self.newest_event = max(self.newest_event, event_no)
        if self.events_through == NO_EVENT:
            self.events_through = event_no - 1
        while self.events_through + 1 in self.events_told:
            self.events_through += 1
        del self.events_told[: -4 * messages.EVENTS_KEPT]
        return True

    def has_sheet(self, digest: int) -> bool:
        """Whether the sheet of that digest is at hand."""
        return bool(self.sheet) and self.sheet_digest == digest

    def begin_sheet(self) -> None:
        """Forget a sheet half read."""
        self.sheet_parts = b""
        self.sheet_total = -1

    def add_sheet_part(self, part: messages.SheetPart, digest: int) -> bool:
        """Take the next part; true when the sheet is whole, its digest right and its content usable.

        Raises:
            SheetError: the parts or the sheet make no sense.
        """
        if self.sheet_total < 0:
            self.sheet_total = part.total
        if part.total != self.sheet_total or not 0 < part.total <= SHEET_BYTES_MAX:
            raise SheetError("size", f"{part.total} bytes", f"1 to {SHEET_BYTES_MAX}, the same in each part")
        if part.offset != len(self.sheet_parts) or not part.part:
            have = f"the part behind byte {len(self.sheet_parts)}"
            raise SheetError(f"byte {part.offset}", f"a part of {len(part.part)} bytes", have)
        self.sheet_parts += part.part
        if len(self.sheet_parts) < self.sheet_total:
            return False
        sheet = self.sheet_parts
        self.begin_sheet()
        if len(sheet) > part.total or digest_of(sheet) != digest:
            have = f"its {len(sheet)} bytes have {digest_of(sheet):016x}"
            raise SheetError("digest", f"OPENED says {digest:016x}, {have}")
        self.features = parse_sheet(sheet).features
        self.sheet, self.sheet_digest = sheet, digest
        return True


def restart_cause(memory: Memory, opened: Opened) -> int | None:
    """The reset cause when OPENED shows that the device has restarted since the last contact, else None."""
    if memory.boot_id == 0:
        return None
    if opened.boot_id != memory.boot_id or opened.uptime_tick < memory.uptime_tick:
        return opened.reset_cause
    return None


def next_session(nonce: int, attempt: int, last: int) -> int:
    """A session number that is neither 0 nor the last one."""
    session = (nonce + attempt) % SESSIONS + 1
    return session if session != last else session % SESSIONS + 1


def refusal(refused: messages.Refused) -> str:
    """A refusal as a sentence."""
    message = BY_KIND.get(refused.request)
    name = message.__name__.upper() if message else f"request {refused.request:#04x}"
    if refused.request == messages.Open.KIND and refused.reason == Reason.NOT_NOW:
        return "the motion lease of another session is still running on the device; OPEN is repeated until it has ended"
    try:
        words = _REASON_WORDS[Reason(refused.reason)]
    except ValueError:
        words = f"reason {refused.reason}"
    return f"the device refused {name}: {words} (detail {refused.detail})"


def set_up_difference(wanted: messages.Setup, got: messages.SetupReply) -> str | None:
    """What the device set up otherwise than asked, naming both, or None."""
    for name in ("rate_millihz", "samples_per_block", "status_ms", "stream"):
        asked, applied = getattr(wanted, name), getattr(got, name)
        if asked != applied:
            return f"requested {name} = {asked}, the device set up {applied}"
    return None
