"""Every tape replays under every BLAS kernel that this CPU can run, with one and two threads, and with CPU features off.

OpenBLAS picks a kernel when it is loaded, so each setting needs a process of its own; one replays all tapes.
"""

import os
import platform
import signal
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from replay_logs.make import FOLDER, SCENES

from nightturn.estimation.fingerprint import fingerprint

TAPES = [str(FOLDER / (scene.name if scene.epochs else f"{scene.name}.ntj")) for scene in SCENES]
# What OPENBLAS_CORETYPE takes -> what the library may call the same kernel.
X86_64 = {
    "Haswell": {"haswell"},
    "SkylakeX": {"skylakex"},
    "Prescott": {"prescott", "katmai", "coppermine", "northwood"},
    "Zen": {"zen", "haswell"},  # a library built with few kernels runs Haswell's on a Zen
}
AARCH64 = {name: {name.lower()} for name in ("ARMV8", "CORTEXA57", "NEOVERSEN1", "THUNDERX2T99")}
KERNELS = {"x86_64": X86_64, "AMD64": X86_64, "aarch64": AARCH64, "arm64": AARCH64}
HELD = ("sums and figures: equal to the last bit", "sums and figures: equal within 10⁻⁹; ")
SETTINGS = ("OPENBLAS_CORETYPE", "OPENBLAS_NUM_THREADS", "NPY_DISABLE_CPU_FEATURES")
CHILD = """
import sys
from nightturn.cli import main
for tape in sys.argv[1].split("|"):
    try:
        main(["replay", tape, *sys.argv[2:]])
    except SystemExit as end:
        print("exit", end.code or 0)
from nightturn.estimation.fingerprint import fingerprint
print("fingerprint", fingerprint())
"""


@dataclass(frozen=True)
class Ran:
    """A child that came to its end: the outcome of each tape as its exit code and lines, and its fingerprint."""

    outcomes: list[tuple[str, str]]
    fingerprint: str

    def kernels(self) -> set[str]:
        """The kernel of each BLAS, in small letters."""
        parts = [part.split() for part in self.fingerprint.split("; ") if " openblas " in part]
        return {part[3].lower() for part in parts}

    def trouble(self) -> list[str]:
        """Each tape that did not end with 0 and a line that says which comparison held."""
        bad = [
            lines
            for code, lines in self.outcomes
            if code != "0" or lines.count("\n") or not any(word in lines for word in HELD)
        ]
        return (
            bad if len(self.outcomes) == len(TAPES) else [*bad, f"{len(self.outcomes)} tapes were replayed"]
        )


def replay_all(*flags: str, **settings: str) -> Ran | None:
    """All tapes in one process under these settings; None where the CPU has not got the instructions."""
    environment = {name: value for name, value in os.environ.items() if name not in SETTINGS} | settings
    done = subprocess.run(
        [sys.executable, "-c", CHILD, "|".join(TAPES), *flags],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode == -signal.SIGILL:
        return None
    assert done.returncode == 0, done.stderr
    *texts, last = done.stdout.rstrip().split("\n")
    outcomes, lines = [], list[str]()
    for text in texts:
        if text.startswith("    ") and lines:  # a line that was broken at 80 columns
            lines[-1] += f" {text.strip()}"
        elif text.startswith("exit "):
            outcomes.append((text.removeprefix("exit "), "\n".join(lines)))
            lines = []
        else:
            lines.append(text)
    return Ran(outcomes, last.removeprefix("fingerprint "))


def features() -> str:
    """The CPU features that NumPy dispatches on here and can do without."""
    config: Any = np.show_config(mode="dicts")
    return " ".join(config["SIMD Extensions"].get("found", []))


def test_every_tape_replays_under_every_kernel_and_with_one_and_two_threads() -> None:
    table = KERNELS.get(platform.machine(), {})
    if (
        " openblas " not in fingerprint() or not table
    ):  # nothing to choose from: its own kernel, on one and two threads
        only = [replay_all(OPENBLAS_NUM_THREADS=threads) for threads in ("1", "2")]
        assert [found.trouble() for found in only if found is not None] == [[], []], fingerprint()
        return
    ran = dict[str, Ran]()
    for number, (name, called) in enumerate(table.items()):
        found = replay_all(OPENBLAS_CORETYPE=name, OPENBLAS_NUM_THREADS=str(1 + number % 2))
        picked = ", ".join(sorted(found.kernels())) if found is not None else "an illegal instruction"
        if found is None or not found.kernels() <= called:
            print(f"{name}: left out, this CPU answers with {picked}")
        else:
            print(f"{name}: {picked}")
            ran[name] = found
    assert {name: found.trouble() for name, found in ran.items() if found.trouble()} == {}
    assert len({kernel for found in ran.values() for kernel in found.kernels()}) >= 2
    assert all(" threads=1" in found.fingerprint for found in ran.values())
    assert all(" threads=2" not in found.fingerprint for found in ran.values())
    lines = [line for found in ran.values() for _, line in found.outcomes]
    assert any(HELD[1] in line for line in lines), "the kernels give the same bits: they do not test anything"


@pytest.mark.parametrize("threads", ["1", "2"])
def test_every_tape_replays_with_the_features_of_the_cpu_switched_off(threads: str) -> None:
    off = features()
    print(f"switched off: {off or 'none, NumPy dispatches on no feature here'}")
    found = replay_all("--figures", OPENBLAS_NUM_THREADS=threads, NPY_DISABLE_CPU_FEATURES=off)
    assert found is not None
    assert found.trouble() == []
    assert not {*off.split()} & {*found.fingerprint.split()}
