"""A daemon for one fixture alone, for as long as the command that started it: `python -m nightturn.daemon.alone BENCH FIXTURE`.

It owns the data root as any daemon does, and is asked through its socket. It ends, with whatever turns turned off and its run
closed in order, when its standard input is closed: so also when the command that holds the other end is killed.
"""

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import msgspec

from nightturn.bench.locks import Lock, holder_of, own_root_or_meet
from nightturn.daemon.newer_card import used_up
from nightturn.errors import CorruptFileError, DeviceError, NightturnError
from nightturn.settings.load import load_rig, read_card
from nightturn.settings.rig import Rig
from nightturn.settings.validate import fixture_named
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import RUNNING, newest_run, read_manifest
from nightturn.storage.paths import ROOT_LOCK

STARTS_S_MAX = 30.0
ENDS_S_MAX = 45.0
"""A daemon that cannot close its files ends itself before."""
POLL_S = 0.05
SAID_CHARACTERS_MAX = 2000


def of_one(rig: Rig, fixture: str, where: str) -> Rig:
    """The rig with one fixture, in one process, without page, broker and messages to people.

    Raises:
        ConfigError: it has no such fixture.
    """
    bench = msgspec.structs.replace(rig.bench, workers=1)
    chosen = (fixture_named(rig, fixture, where),)
    return msgspec.structs.replace(rig, bench=bench, fixture=chosen, web=None, mqtt=None, notify=None)


def daemon_answers(root: Path) -> bool:
    """Whether a daemon owns this data root and takes requests; one that has ended may have left its name there.

    Raises:
        StorageError: another process than a daemon owns it, or it cannot be written.
    """
    found = own_root_or_meet(root, "nightturn", lambda holder: bool(holder.socket))
    if isinstance(found, Lock):
        found.release()
        return False
    return True


def open_run_of(root: Path, fixture: str) -> str:
    """Why no task may begin where no daemon runs: a run is still open, or a card waits for its night; empty where it may.

    Raises:
        StorageError: card or manifest cannot be read.
    """
    files = RealFiles(root)
    run = newest_run(files, fixture)
    manifest = read_manifest(files, fixture, run) if run else None
    if manifest is not None and manifest.state == RUNNING:
        return f"run {run} of {fixture} was interrupted and is still open; `nightturn serve` goes on with it, and `nightturn stop` ends it there"
    try:
        card = read_card(root, fixture)
    except CorruptFileError as error:
        return str(error)
    if card is None or (manifest is not None and used_up(manifest.card) == card):
        return ""
    ends = f"`nightturn unmount {fixture} --operator NAME`"
    return f"{card.unit} is mounted on {fixture} for a run that has not begun; `nightturn serve` begins it, {ends} cancels it"


@contextlib.contextmanager
def daemon_for(bench: Path, root: Path, fixture: str) -> Iterator[bool]:
    """A daemon for a fixture while this is entered: the one that owns the data root, else one of its own; whether it is one of its own.

    Raises:
        NightturnError: a run is open, or the daemon does not start; its own words.
    """
    if daemon_answers(root):
        yield False
        return
    problem = open_run_of(root, fixture)
    if problem:
        raise NightturnError(f"refused: {problem}")
    with tempfile.TemporaryFile() as said:
        child = subprocess.Popen(  # noqa: S603 - this program itself
            [sys.executable, "-m", "nightturn.daemon.alone", str(bench), fixture],
            stdin=subprocess.PIPE,
            stdout=said,
            stderr=said,
            start_new_session=True,  # Ctrl-C is for the command, which first asks for a stop
        )
        try:
            _wait_for_it(child, root, said)
            yield True
        finally:
            _end(child)


def _wait_for_it(child: "subprocess.Popen[bytes]", root: Path, said: IO[bytes]) -> None:
    until_s = time.monotonic() + STARTS_S_MAX
    while (holder := holder_of(root / ROOT_LOCK)).pid != child.pid or not holder.socket:
        if child.poll() is not None or time.monotonic() > until_s:
            said.seek(0)
            words = said.read().decode(errors="replace").strip()[-SAID_CHARACTERS_MAX:]
            raise DeviceError(f"the daemon for this fixture did not start: {words or 'it said nothing'}")
        time.sleep(POLL_S)


def _end(child: "subprocess.Popen[bytes]") -> None:
    """Close its input, upon which it turns everything off and closes its run; Ctrl-C cannot cut that short."""
    assert child.stdin is not None
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        child.stdin.close()
        child.wait(ENDS_S_MAX)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
    finally:
        signal.signal(signal.SIGINT, before)


def main(bench: Path, fixture: str) -> None:
    """Serve one fixture of a rig file until standard input is closed.

    Raises:
        NightturnError: as `serve.serve`.
    """
    from nightturn.bench.logging import set_up_logging
    from nightturn.daemon.serve import serve
    from nightturn.estimation.figures import FIGURES
    from nightturn.storage.without_pandas import do_without_pandas
    from nightturn.trend.series import FOLLOWED

    do_without_pandas()
    rig = of_one(load_rig(bench, figures=FIGURES, followed=FOLLOWED), fixture, str(bench))
    set_up_logging(as_json=True, timezone=rig.bench.timezone)
    threading.Thread(target=_end_with_input, name="end", daemon=True).start()
    asyncio.run(serve(bench, rig, None, None))


def _end_with_input() -> None:
    while os.read(sys.stdin.fileno(), 4096):
        pass
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]), sys.argv[2])
    except NightturnError as error:
        sys.exit(str(error))
