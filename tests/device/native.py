"""The native device: the firmware's core and the bench plant as a process on a pty, sanitized unless a test wants speed."""

import json
import os
import select
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from tests.device.build import built
from tests.device.recording import PRODUCED, Produced

SANITIZED, FAST = "nightturn-native-asan", "nightturn-native"
ANSWER_S_MAX = 20.0  # hang guards, not limits of speed
STOP_S_MAX = 20.0
BEHIND_TICKS_MAX = 30_000  # between two looks at the clock in one turn of its loop, with a sanitizer
NEW_BOOT = 2**64 - 1  # the index that begins a boot in the log of what was produced


@dataclass(frozen=True, slots=True)
class Boot:
    """One boot as the truth file tells it."""

    boot_id: int
    reset_cause: int
    samples: int
    blocks: int
    overwritten_unsent: int
    crc32c: int


class NativeDevice:
    """A running device; it writes its truth and every sample it takes beside its link.

    Attributes:
        port: the link that a host opens.
    """

    def __init__(self, link: Path, *, build: str = SANITIZED, **options: object) -> None:
        self.port = str(link)
        self._truth = link.with_name(f"{link.name}.truth.json")
        self._log = link.with_name(f"{link.name}.samples")
        words = [f"--{name.replace('_', '-')}={value}" for name, value in options.items()]
        words += [f"--link={link}", f"--truth={self._truth}", f"--log-samples={self._log}"]
        self._complaints = link.with_name(f"{link.name}.stderr").open("w+b")
        self._heard = b""
        self.process = subprocess.Popen(
            [str(built(build)), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._complaints,
            bufsize=0,
        )
        try:
            assert self._line() == self.port, self.complaints
        except AssertionError:
            self.kill()
            raise

    @property
    def complaints(self) -> str:
        """What it wrote to stderr: nothing, or what a sanitizer found."""
        return Path(self._complaints.name).read_text(encoding="utf-8", errors="replace")

    def _line(self) -> str:
        """The next line it prints."""
        assert self.process.stdout is not None
        until_s = time.monotonic() + ANSWER_S_MAX
        while b"\n" not in self._heard:
            left_s = max(until_s - time.monotonic(), 0)
            readable, _, _ = select.select([self.process.stdout], [], [], left_s)
            piece = os.read(self.process.stdout.fileno(), 4096) if readable else b""
            assert piece, f"the native device says nothing: {self.complaints}"
            self._heard += piece
        line, self._heard = self._heard.split(b"\n", 1)
        return line.decode()

    def say(self, words: str) -> str:
        """One line on its stdin, and its answer."""
        assert self.process.stdin is not None
        self.process.stdin.write(words.encode() + b"\n")
        return self._line()

    def make(self, words: str) -> None:
        """Make something go wrong, or right again."""
        assert self.say(words) == f"ok {words}"

    def state(self) -> dict[str, Any]:
        """What it says about itself now."""
        found: dict[str, Any] = json.loads(self.say("state").removeprefix("ok "))
        return found

    def takes(self, samples: int) -> None:
        """Wait until it has taken so many samples in this boot."""
        until_s = time.monotonic() + ANSWER_S_MAX
        while (taken := self.state()["next_index"]) < samples:
            assert time.monotonic() < until_s, f"the native device has taken {taken} samples of {samples}"

    def reset_by_watchdog(self) -> None:
        """It starts again in place."""
        self._reset(signal.SIGUSR1)

    def crash(self) -> None:
        """It starts again in place and remembers why."""
        self._reset(signal.SIGUSR2)

    def _reset(self, number: signal.Signals) -> None:
        before = self.state()["boot_id"]
        self.process.send_signal(number)
        until_s = time.monotonic() + ANSWER_S_MAX
        while self.state()["boot_id"] == before:
            assert time.monotonic() < until_s, "the native device does not start again"

    def kill(self) -> None:
        """Power off."""
        self.process.kill()
        self._gone()

    def end(self) -> list[Boot]:
        """End it politely; what it produced, boot by boot."""
        self.process.terminate()
        code = self.process.wait(STOP_S_MAX)
        complaints = self.complaints
        self._gone()
        assert code == 0, complaints
        assert complaints == ""
        told = json.loads(self._truth.read_text(encoding="utf-8"))
        return [Boot(**boot) for boot in told["boots"]]

    def _gone(self) -> None:
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout, self._complaints):
            assert pipe is not None
            pipe.close()

    def produced(self) -> list[Produced]:
        """Every sample it took, by boot; complete once it has ended."""
        made = np.fromfile(self._log, PRODUCED)
        (starts,) = np.nonzero(made["index"] == NEW_BOOT)
        return [part[1:] for part in np.split(made, starts)[1:]]


class NativeDevices:
    """Native devices in one folder; none outlives its test, and none may have complained.

    Attributes:
        started: all of them, whether they still run or not.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.started: list[NativeDevice] = []

    def __call__(self, name: str = "device.line", **options: Any) -> NativeDevice:
        """Start one behind a link of that name; options as on its command line, and `build`."""
        device = NativeDevice(self._folder / name, **options)
        self.started.append(device)
        return device

    def end(self) -> None:
        """End whatever still runs."""
        try:
            for device in self.started:
                if device.process.returncode is None:
                    device.end()
        finally:  # one that complains keeps no other alive
            for device in self.started:
                if device.process.returncode is None:
                    device.kill()


def keeps_up(device: NativeDevice, ticks_per_sample: int) -> bool:
    """Whether it has as many samples as its clock says; one that a busy machine has kept waiting catches up, a wrong rate does not."""
    at = device.state()
    return abs(int(at["next_index"]) * ticks_per_sample - int(at["tick"])) <= BEHIND_TICKS_MAX
