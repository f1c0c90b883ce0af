"""The emulated microcontroller: finds QEMU and the firmware, builds the latter where it must, and runs both on a pty."""

import re
import shutil
import subprocess
import threading
from pathlib import Path
from types import TracebackType
from typing import Self

from nightturn.errors import ConfigError, DeviceError

QEMU = "qemu-system-arm"
MACHINE = "mps2-an385"
FIRMWARE = Path("protocol") / "device" / "build" / f"{MACHINE}.elf"
BUILD_TOOLS = ("make", "arm-none-eabi-gcc")
START_S = 20.0
END_S = 5.0
PTY_LINE = re.compile(r"char device redirected to (\S+)")


def find_qemu() -> str:
    """The emulator.

    Raises:
        ConfigError: it is not installed.
    """
    found = shutil.which(QEMU)
    if found is None:
        raise ConfigError(
            f"{QEMU} is not installed, and without it there is no emulated microcontroller; "
            f"install it (Debian: apt-get install {QEMU}), or run the demo without --device emulated",
        )
    return found


def find_firmware(given: Path | None, start: Path) -> Path:
    """The firmware image: the one given, or the checkout's, which is built when it is not there.

    Args:
        given: an ELF file, or None.
        start: a folder in the checkout.

    Raises:
        ConfigError: there is none and it cannot be built here.
    """
    if given is not None:
        if not given.is_file():
            raise ConfigError(f"{given}: there is no such firmware image", where="--firmware")
        return given
    root = next((each for each in (start, *start.parents) if (each / FIRMWARE).parents[1].is_dir()), None)
    if root is None:
        raise ConfigError(
            f"no firmware: {start} is not in a checkout of nightturn; start there, or name an image with --firmware"
        )
    missing = [tool for tool in BUILD_TOOLS if shutil.which(tool) is None]
    if not missing:
        _build(str(shutil.which("make")), root)
    elif not (root / FIRMWARE).is_file():
        raise ConfigError(
            f"the firmware has not been built, and {' and '.join(missing)} for building it are not installed "
            "(Debian: apt-get install make gcc-arm-none-eabi libnewlib-arm-none-eabi)"
        )
    return root / FIRMWARE


def _build(make: str, root: Path) -> None:
    """Let make decide whether anything has changed."""
    made = subprocess.run(  # noqa: S603  words of our own and a name that `which` found
        [make, "-s", f"build/{FIRMWARE.name}"],
        cwd=root / FIRMWARE.parents[1],
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode:
        raise ConfigError(f"the firmware does not build:\n{made.stderr.strip()}")


class Emulator:
    """QEMU with a firmware on its UART, from entering to leaving.

    Attributes:
        line: path of the pty that is the UART's other end.
    """

    def __init__(self, qemu: str, firmware: Path) -> None:
        self.line = ""
        self._command = [qemu, "-M", MACHINE, "-nodefaults", "-display", "none", "-monitor", "none"]
        self._command += ["-kernel", str(firmware), "-chardev", "pty,id=uart", "-serial", "chardev:uart"]
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        """Start.

        Raises:
            DeviceError: QEMU ends at once or names no pty.
        """
        self._process = subprocess.Popen(  # noqa: S603  QEMU as `find_qemu` found it, with words of our own
            self._command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self._process.stdout is not None
        guard = threading.Timer(
            START_S, self._process.kill
        )  # a QEMU that says nothing must not hold us for ever
        guard.start()
        said = []
        for text in self._process.stdout:
            said.append(text)
            if found := PTY_LINE.search(text):
                self.line = found.group(1)
                break
        guard.cancel()
        if not self.line:
            self._end()
            raise DeviceError(f"{QEMU} did not start: {''.join(said).strip() or 'it said nothing'}")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End QEMU."""
        self._end()

    def _end(self) -> None:
        process = self._process
        if process is None:
            return
        process.terminate()
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()
