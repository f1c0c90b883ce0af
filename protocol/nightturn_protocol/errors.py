"""The errors of the wire: which side made the mistake."""


class ProtocolError(Exception):
    """Base of every error about the wire."""


class LocalProtocolError(ProtocolError):
    """This side asked for something the wire cannot carry."""


class PeerProtocolError(ProtocolError):
    """The other side broke the rules of the wire."""


class MalformedError(PeerProtocolError):
    """A payload that is too short, or whose counts do not fit its length."""


class SheetError(PeerProtocolError):
    """A device sheet that cannot be used.

    Attributes:
        where: the key, such as `slow[1].name`, or the place in the text.
        what: what stands there.
        allowed: what would have been accepted.
    """

    def __init__(self, where: str, what: str, allowed: str = "") -> None:
        self.where = where
        self.what = what
        self.allowed = allowed
        super().__init__(f"{where}: {what}; allowed: {allowed}" if allowed else f"{where}: {what}")
