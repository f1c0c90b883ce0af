"""The errors of the wire: which side made the mistake."""


class ProtocolError(Exception):
    """Base of every error about the wire."""


class LocalProtocolError(ProtocolError):
    """This side asked for something the wire cannot carry."""


class PeerProtocolError(ProtocolError):
    """The other side broke the rules of the wire."""


class MalformedError(PeerProtocolError):
    """A payload that is too short, or whose counts do not fit its length."""
