"""The daemon and virtual fixtures as real processes around a bench folder."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from tests.daemon.steered import Steering
from tests.waiting import LIMIT_S, wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO, Answer
from nightturn.errors import DeviceError
from nightturn.model.cards import MountCard
from nightturn.motion.interlocks import UNTRIED
from nightturn.settings.load import append_card

NIGHTTURN = [sys.executable, "-c", "from nightturn.cli import main; main()"]
STEERED = [
    sys.executable,
    "-c",
    f"import sys; sys.path.insert(0, {str(Path(__file__).parents[2])!r}); from tests.daemon.steered import main; main()",
]
VARIANT = "schema = 1\nrated_torque_nm = 15.0\npole_pairs = 4\nslots = 6\n"
HEAD = 'schema = 1\n[bench]\nlab = "quillfen"\nname = "cellar"\ndata = "nights"\n'
STAND = """\
[fixture.transducer]
serial = "TR-204"
factor_nm_per_v = 4.0
[fixture.encoder]
counts_per_rev = 1048576
reference = "absolute"
"""
FIXTURE = """
[[fixture]]
id = "{fixture}"
port = "{port}"
rate_hz = 1000
after_restart = "{after_restart}"
ramp_rad_per_s2 = 20.0
samples_per_block = 50
{stand}[fixture.plan]
slow_turn = {{ revolutions = 1, speed_rpm = 30.0 }}
dwell_s = 1.0
cycles = 1000
[fixture.shunt]
check = false
"""
"""Without a shunt check, which holds a first turn and an end up for some seconds: test_native_measured and
test_daemon_on_firmware in tests/device have rigs with one."""


class Processes:
    """Children that are ended, whatever the test does; each writes its output to a file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._children: list[subprocess.Popen[bytes]] = []
        self._number = 0

    def start(
        self,
        *arguments: str,
        program: Sequence[str] = NIGHTTURN,
        folder: Path | None = None,
        steer: Steering | None = None,
    ) -> "Child":
        """A command line, in a folder of its own if one is given; steered as `tests.daemon.steered` can."""
        self._number += 1
        begin = program if steer is None else [*STEERED, steer.word]
        log = self.folder / f"{self._number:02d}-{arguments[0]}.log"
        with log.open("wb") as output:
            process = subprocess.Popen(
                [*begin, *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=folder or self.folder,
            )
        self._children.append(process)
        return Child(process, log)

    def end(self) -> None:
        for process in self._children:
            if process.poll() is None:
                process.kill()
            process.wait()


class Child:
    """One process."""

    def __init__(self, process: "subprocess.Popen[bytes]", log: Path) -> None:
        self.process = process
        self._log = log

    @property
    def said(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def kill(self) -> None:
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def interrupt(self, number: signal.Signals = signal.SIGTERM) -> int:
        """End politely and return the exit code."""
        self.process.send_signal(number)
        return self.process.wait(LIMIT_S)

    def says(self, words: str, times: int = 1, limit_s: float = LIMIT_S) -> None:
        """Wait until it has said so that often."""
        wait(lambda: self.said.count(words) >= times, lambda: f"{words!r} not in:\n{self.said}", limit_s)


def write_bench(
    folder: Path, ports: dict[str, str], *, mqtt: str = "", after_restart: str = "resume"
) -> Path:
    """A rig of these fixtures and the variant; returns the rig file."""
    (folder / "variants").mkdir(exist_ok=True)
    (folder / "variants" / "pan15.toml").write_text(VARIANT)
    text = HEAD + (f'[mqtt]\nurl = "{mqtt}"\n' if mqtt else "")
    for fixture, port in ports.items():
        text += FIXTURE.format(stand=STAND, fixture=fixture, port=port, after_restart=after_restart)
    (folder / "bench.toml").write_text(text)
    return folder / "bench.toml"


def mount(folder: Path, fixture: str, unit: str = "Q-0117") -> None:
    """A card as `nightturn mount` writes it."""
    mounted = f"2026-05-04T18:00:{time.monotonic_ns() // 1000 % 10**6 / 2e4:09.6f}Z"
    card = MountCard(
        travel_zero_confirmed=True, unit=unit, variant="pan15", operator="R. Vale", mounted_utc=mounted
    )
    append_card(folder / "nights", fixture, card)


NOT_YET = ("no run is open", "no device streams", "no input word")  # what passes by itself after a start


class Guarded(Protocol):
    """A device whose guard somebody can open."""

    def make(self, words: str) -> None:
        """`guard open` or `guard closed`."""
        ...


def say_go(folder: Path, device: Guarded | None, fixture: str = "pan-a1", unit: str = "Q-0117") -> None:
    """The operator tries the guard and lets the shaft turn, as `nightturn go` does, once a device streams.

    Any other refusal is a failure. Without a device the rig file has to say that there is no guard.
    """
    wait(
        lambda: not _refusal(folder, fixture, unit) or _tries_guard(folder, device, fixture, unit),
        lambda: f"{fixture} streams nothing, so nobody can say go",
    )


def _tries_guard(folder: Path, device: Guarded | None, fixture: str, unit: str) -> bool:
    """Open the guard and close it, where that is what the refusal asks for; whether it turns then."""
    if device is None or UNTRIED not in _refusal(folder, fixture, unit):
        return False
    device.make("guard open")
    wait(lambda: "the guard is open" in _refusal(folder, fixture, unit), lambda: "nobody sees it open")
    device.make("guard closed")
    wait(lambda: not _refusal(folder, fixture, unit), lambda: "nobody sees it closed")
    return True


def _refusal(folder: Path, fixture: str, unit: str) -> str:
    """Why the shaft may not turn; empty when it may."""
    try:
        answer: Answer = ask(folder / "nights", new_request(GO, fixture, "R. Vale", unit=unit))
    except DeviceError as error:
        if "no daemon runs" in str(error):  # it starts, and has no socket yet
            return str(error)
        raise
    expected = (*NOT_YET, UNTRIED, "the guard is open")
    assert answer.ok or any(words in answer.problem for words in expected), answer.problem
    return answer.problem
