"""The tests of the core once more, in a process of their own, against another build of it."""

import os
import subprocess
import sys
from pathlib import Path

from tests.device.build import built
from tests.device.library import BUILDS

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
HANG_S = 600
CODEC = ("vectors", "differential")
LINK = ("session", "replies", "transmit", "ring", "events", "overload", "taking_over", "core_sampler")
MOTION = ("lease", "drive", "switched_outputs", "trips")
AROUND = ("start_and_receive", "state_machine", "agrees_with_virtual")
PLANT = ("plant", "plant_motion")


def run_tests(build: str, names: tuple[str, ...], **environment: str) -> subprocess.CompletedProcess[str]:
    """What pytest says about these tests of the core in this build."""
    built(BUILDS[build])
    files = [f"tests/device/test_{name}.py" for name in names]
    options = ["-q", "-x", "-p", "no:cacheprovider", "-m", "not long"]
    return subprocess.run(
        [sys.executable, "-m", "pytest", *options, *files],
        cwd=ROOT,
        env=os.environ | {"NIGHTTURN_HARNESS": build} | environment,
        text=True,
        capture_output=True,
        timeout=HANG_S,
        check=False,
    )
