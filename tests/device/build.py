"""The one place that builds the device half: `make` in protocol/device, one build at a time."""

import fcntl
import shutil
import subprocess
import sys
from pathlib import Path

DEVICE = Path(__file__).resolve().parents[2] / "protocol" / "device"
BUILD = DEVICE / "build"


def built(target: str) -> Path:
    """The file that a target of protocol/device/Makefile gives; make decides whether there is anything to do."""
    assert shutil.which("make"), "make is missing: tests/run installs it (Debian package make)"
    BUILD.mkdir(exist_ok=True)
    with (BUILD / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # pytest may run in several processes
        done = subprocess.run(
            ["make", "-s", f"PYTHON={sys.executable}", f"build/{target}"],
            cwd=DEVICE,
            text=True,
            capture_output=True,
            check=False,
        )
    assert done.returncode == 0, f"make build/{target} failed:\n{done.stdout}{done.stderr}"
    return BUILD / target
