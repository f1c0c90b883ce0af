"""The states of a link and the one table that says how they follow each other."""

from enum import StrEnum


class LinkState(StrEnum):
    """Where the conversation with the device stands."""

    CLOSED = "closed"
    OPENING = "opening"
    SHEET = "sheet"
    SETUP = "setup"
    RUNNING = "running"
    FAULT = "fault"


class LinkEvent(StrEnum):
    """What moves a link from one state to another."""

    LINE_OPENED = "line opened"
    LINE_LOST = "line lost"
    GREETED = "greeted"
    SHEET_KNOWN = "sheet known"
    STREAMING = "streaming"
    UNANSWERED = "unanswered"
    RESTARTED = "restarted"
    REJECTED = "rejected"


# A pair without a row changes nothing: the event is of no concern in that state.
TRANSITIONS: dict[tuple[LinkState, LinkEvent], LinkState] = {
    (LinkState.CLOSED, LinkEvent.LINE_OPENED): LinkState.OPENING,
    (LinkState.OPENING, LinkEvent.GREETED): LinkState.SHEET,
    (LinkState.OPENING, LinkEvent.REJECTED): LinkState.FAULT,
    (LinkState.OPENING, LinkEvent.LINE_LOST): LinkState.CLOSED,
    (LinkState.SHEET, LinkEvent.SHEET_KNOWN): LinkState.SETUP,
    (LinkState.SHEET, LinkEvent.UNANSWERED): LinkState.OPENING,
    (LinkState.SHEET, LinkEvent.RESTARTED): LinkState.OPENING,
    (LinkState.SHEET, LinkEvent.REJECTED): LinkState.FAULT,
    (LinkState.SHEET, LinkEvent.LINE_LOST): LinkState.CLOSED,
    (LinkState.SETUP, LinkEvent.STREAMING): LinkState.RUNNING,
    (LinkState.SETUP, LinkEvent.UNANSWERED): LinkState.OPENING,
    (LinkState.SETUP, LinkEvent.RESTARTED): LinkState.OPENING,
    (LinkState.SETUP, LinkEvent.REJECTED): LinkState.FAULT,
    (LinkState.SETUP, LinkEvent.LINE_LOST): LinkState.CLOSED,
    (LinkState.RUNNING, LinkEvent.RESTARTED): LinkState.OPENING,
    (LinkState.RUNNING, LinkEvent.REJECTED): LinkState.FAULT,
    (LinkState.RUNNING, LinkEvent.LINE_LOST): LinkState.CLOSED,
    (LinkState.FAULT, LinkEvent.LINE_LOST): LinkState.CLOSED,
}
