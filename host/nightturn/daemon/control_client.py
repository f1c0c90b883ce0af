"""A command that wants something of a running daemon: one request over its control socket."""

import contextlib
import os
import secrets
import socket
import time
from pathlib import Path

from nightturn.bench.locks import holder_of
from nightturn.daemon.control_protocol import (
    LINE_BYTES_MAX,
    VERSION,
    Answer,
    Request,
    read_answer,
    request_line,
)
from nightturn.errors import DeviceError
from nightturn.storage.paths import ROOT_LOCK

ANSWER_S_MAX = 2.0
NO_ANSWER = "the daemon does not answer; use the emergency stop"


class NoDaemonError(DeviceError):
    """No daemon runs on the data root, or the one that did cannot be reached."""


def new_request(
    command: str, fixture: str = "", operator: str = "", *, reason: str = "", unit: str = ""
) -> Request:
    """A request under an id of its own."""
    return Request(VERSION, secrets.token_hex(8), command, fixture, operator.strip(), reason.strip(), unit)


def ask(root: Path, request: Request, limit_s: float = ANSWER_S_MAX) -> Answer:
    """What the daemon on a data root answers.

    Raises:
        NoDaemonError: no daemon is there.
        DeviceError: it may not be asked, or it does not answer in time.
    """
    holder = holder_of(root / ROOT_LOCK)
    if not holder.socket:
        raise NoDaemonError(f"{root}: no daemon runs on this data root; `nightturn serve` starts one")
    until_s = time.monotonic() + limit_s
    try:
        with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)) as line:
            line.settimeout(limit_s)
            line.connect(holder.socket)
            line.sendall(request_line(request))
            answer = read_answer(_line(line, until_s), request)
    except TimeoutError as error:
        raise DeviceError(NO_ANSWER) from error
    except PermissionError as error:
        raise DeviceError(
            f"{holder.socket}: no permission to command this daemon; be its user, or join the group in [bench] control_group"
        ) from error
    except OSError as error:
        elsewhere = holder.host != socket.gethostname()
        where = f"it was started on {holder.host}: ask there" if elsewhere else "it has ended, or was killed"
        raise NoDaemonError(
            f"{root}: the daemon ({holder.words}) cannot be reached: {os.strerror(error.errno or 0)}; {where}; "
            "if something turns, use the emergency stop"
        ) from error
    if isinstance(answer, str):
        raise DeviceError(f"the daemon's answer {answer}; if something turns, use the emergency stop")
    return answer


def _line(line: socket.socket, until_s: float) -> bytes:
    """Bytes up to the end of the line, or of the connection."""
    content = b""
    while not content.endswith(b"\n") and len(content) <= LINE_BYTES_MAX:
        left_s = until_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        line.settimeout(left_s)
        piece = line.recv(LINE_BYTES_MAX)
        if not piece:
            raise TimeoutError  # it closed without a word: it ends, or others pushed us out
        content += piece
    return content
