"""What is alike in every process that does jobs for a daemon: it takes them from a socket, and ends when the other end is closed."""

import os
import select
import signal
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import Any


def serve(work: "Callable[[Connection[Any, Any]], None]", nice: int) -> None:
    """Work on the socket whose number is the first word of the command line, so far behind others, until its other end is closed.

    Where the kernel knows work that is done when a core has nothing else to do, it is that: a core with such work alone is free for a daemon
    that has to wait on another, where one with work of low priority keeps it waiting for tenths of a second, and leases lapse.

    That ends the process in the middle of a job as well. Signals sent to all processes of a service are not for it.
    """
    for number in (signal.SIGINT, signal.SIGTERM):  # the daemon says when it is over
        signal.signal(number, signal.SIG_IGN)
    os.nice(nice)
    if hasattr(os, "SCHED_IDLE"):
        os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    descriptor = int(sys.argv[1])
    threading.Thread(target=_end_with, args=(descriptor,), name="end", daemon=True).start()
    try:
        work(Connection(descriptor))
    except (EOFError, ConnectionError):
        return


def _end_with(descriptor: int) -> None:
    """End this process when the other end of its socket is closed, whatever it is doing."""
    watched = select.poll()
    watched.register(descriptor, 0)  # hang-up and error are reported without being asked for
    watched.poll()
    os._exit(0)
