"""Where a daemon's page begins its process: it asks its daemon through the control socket, as any command of this computer does."""

import socket
from multiprocessing.connection import Connection
from pathlib import Path

import msgspec

from nightturn.daemon.control_client import ask, new_request
from nightturn.errors import DeviceError
from nightturn.web.acting import MAY_ASK, Act, Outcome, Wish
from nightturn.web.child import Order, run_page_process


def run(order: Order, listener: socket.socket, line: "Connection[bytes, bytes]") -> None:
    """Entry point of the process."""
    run_page_process(order, listener, line, asking(order.root))


def asking(root: Path) -> Act:
    """Asks the daemon of a data root."""

    def act(wish: Wish) -> Outcome:
        request = new_request(wish.command, wish.fixture, wish.operator, reason=wish.reason)
        try:
            answer = ask(root, msgspec.structs.replace(request, alarm=wish.alarm))
        except DeviceError as error:
            return Outcome(ok=False, said=f"Not known whether it was done: {error}")
        if not answer.ok:
            return Outcome(ok=False, said=f"Refused: {answer.problem}")
        kept = "" if answer.kept else " (not on the disk yet)"
        waits = f"; {answer.waits_for}" if answer.waits_for else ""
        named = f"{wish.fixture}: " if wish.command in MAY_ASK else ""
        return Outcome(ok=True, said=f"{named}{answer.state}{kept}{waits}")

    return act
