"""Where samples were lost, in words."""

from collections.abc import Mapping

LOST: Mapping[str, str] = {
    "link": "on the line",
    "device": "in the device",
    "overwritten": "in the device's full ring",
    "host": "while the host stood still",
    "restart": "while the device or the host started again",
    "disk": "because the disk took no more",
}


def lost_text(cause: str) -> str:
    """`on the line`; of a cause without words `by` its name."""
    return LOST.get(cause, f"by {cause.replace('_', ' ')}")
