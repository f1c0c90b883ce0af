"""Why a device was not reached, in the words of somebody who stands at the bench with a screwdriver."""

from nightturn.errors import DeviceMismatchError, LinkLostError, NightturnError

SILENT = """\
check, in this order: the device has power and its firmware runs; the port is the right one (`nightturn ports`);
transmit goes to receive, receive to transmit, and both share a ground;
the bit rate is the device's ({baud} baud here, --baud changes it; USB and sockets ignore it);
nothing between them changes bytes (raw mode, no flow control by software, no echo);
no other host holds the device (a bridge on the network serves one at a time)"""
NOISE = """\
check the bit rate first ({baud} baud here, --baud changes it), then swapped or loose wires and a missing ground;
or it is another kind of device that talks on this port"""


def not_reached(troubles: dict[str, str], line_baud: int) -> NightturnError:
    """The error for what the link had to say while it opened, by kind.

    What the device itself said goes before what is only absent.
    """
    for kind in ("wrong_major", "sheet", "refused", "malformed"):
        if kind in troubles:
            return DeviceMismatchError(troubles[kind])
    if "foreign" in troubles:
        return DeviceMismatchError(f"{troubles['foreign']}\n{NOISE.format(baud=line_baud)}")
    if "lost" in troubles:
        return LinkLostError(troubles["lost"])
    said = troubles.get("no_answer", "the device does not answer OPEN")
    return LinkLostError(f"{said}\n{SILENT.format(baud=line_baud)}")
