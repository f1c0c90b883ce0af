"""Every check that a change must pass, a line each: `python tests/check.py [--fix] [--long]`."""

import argparse
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

TESTS_FOLDER = Path(__file__).resolve().parent
ROOT = TESTS_FOLDER.parent
PYTHON = Path(sys.executable)
ALONE = re.compile(r"\bmark\.alone\b")
LONGEST_TEST_S = 600  # a test that hangs shows where it hangs, long before the build server gives up

FIXES = (("ruff", "check", "--fix", "--quiet"), ("ruff", "format", "--quiet"))
CHECKS = (
    ("ruff", "format", "--check", "--quiet"),
    ("ruff", "check", "--quiet"),
    ("mypy", "--no-error-summary"),
    ("lint-imports", "--no-logo"),
    ("python", "protocol/generate.py", "--check"),
)
# Python keeps what it has compiled, whatever the shell says: without that every worker would rewrite the assertions of all test
# modules for itself, and every daemon that a test starts would compile the product.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
# What tests write lies in memory where there is room for it: a daemon under test waits for its disk in real time, and what other
# tests write must not be in front of it. What a cut of the power leaves is enumerated, not tried.
IN_MEMORY = Path("/dev/shm")
TEMPORARY_BYTES = 8_000_000_000  # several times what a run leaves
if IN_MEMORY.is_dir() and shutil.disk_usage(IN_MEMORY).free > TEMPORARY_BYTES:
    ENVIRONMENT["TMPDIR"] = str(IN_MEMORY)
# One process for all, beside the other checks, before many do it at the same time.
COMPILED = ("pytest", "--collect-only", "-qq", "tests")
TESTS = (
    "pytest",
    "-q",
    "-o",
    f"faulthandler_timeout={LONGEST_TEST_S}",
    "--durations=12",
    "--durations-min=5",
)
SEARCHING = ("--hypothesis-profile=searching",)
"""Property tests draw new examples; without it they are the same in every run."""
# Each worker takes whole files, so that a file's fixtures are made once; `tests/conftest.py` puts the longest files first, so
# that none runs on alone at the end.
BY_FILE = ("--dist", "loadfile", "--no-loadscope-reorder")
# What runs beside real programs or against a clock, and so waits most of its time.
LIVE = (
    "tests/bench/test_figuring.py",
    "tests/bench/test_recovery.py",
    "tests/cli/test_json_of_servers.py",
    "tests/cli/test_linktest.py",
    "tests/daemon",
    "tests/demo/test_broker.py",
    "tests/device/test_native.py",
    "tests/device/test_native_line.py",
    "tests/device/test_native_recording.py",
    "tests/device/test_porting.py",
    "tests/linktest/test_with_devices.py",
    "tests/storage/test_child_sealer.py",
    "tests/web/test_browser.py",
    "tests/web/test_patience.py",
    "tests/telemetry",
    "tests/transport",
)
BEHIND = 10  # niceness of what only computes: the other checks beside it are through first


@dataclass(frozen=True, slots=True)
class Group:
    """Tests that run together.

    Attributes:
        name: what its line calls it.
        workers: processes that share its files.
        marked: the marker expression.
        words: where its tests are, for pytest.
        niceness: how far it steps back behind what runs beside it.
    """

    name: str
    workers: int
    marked: str
    words: tuple[str, ...]
    niceness: int = 0

    def command(self, *, long: bool) -> tuple[str, ...]:
        """The words that run it."""
        marked = self.marked if long else f"{self.marked} and not long"
        searching = SEARCHING if long else ()
        return (*TESTS, *searching, "-n", str(self.workers), *BY_FILE, "-m", marked, *self.words)


# One after the other: beside tests that compute, on a machine that is slow today, daemons and devices stood still for seconds, and
# leases lapsed and rings went round as they should.
IN_TURN = (
    Group("computing", 3, "not alone", ("tests", *(f"--ignore={place}" for place in LIVE)), BEHIND),
    Group("live", 3, "not alone", LIVE),
)


def real_time() -> Group:
    """Boards that starve beside other tests lose samples, as a real one never would: they come last, two at a time.

    Found by the marker in their text, because collecting all tests takes longer than most of these.
    """
    places = [path for path in sorted(TESTS_FOLDER.rglob("*.py")) if ALONE.search(path.read_text("utf-8"))]
    return Group("alone", 2, "alone", tuple(path.relative_to(ROOT).as_posix() for path in places))


def said(name: str, began_s: float, code: int) -> None:
    """Print the line of one check."""
    verdict = "ok  " if code == 0 else "FAIL"
    print(f"{verdict} {time.monotonic() - began_s:6.1f} s  {name}", flush=True)


def started(command: tuple[str, ...]) -> "subprocess.Popen[str]":
    """Start one tool of this environment, at the root."""
    return subprocess.Popen(
        [PYTHON.with_name(command[0]), *command[1:]],
        cwd=ROOT,
        env=ENVIRONMENT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
    )


def passes(command: tuple[str, ...]) -> bool:
    """Run one check; what it printed is shown only when it failed."""
    began_s = time.monotonic()
    process = started(command)
    printed, _ = process.communicate()
    said(" ".join(command), began_s, process.returncode)
    if process.returncode != 0:
        print(printed.rstrip(), flush=True)
    return process.returncode == 0


def failures(commands: tuple[tuple[str, ...], ...]) -> list[str]:
    """Run these checks in the order of their cost; the names of those that failed."""
    return [" ".join(command[:2]) for command in commands if not passes(command)]


def tests_pass(group: Group, *, long: bool) -> tuple[str, bool]:
    """Run a group of tests and show it as it goes; its closing line, and whether all passed."""
    began_s = time.monotonic()
    process = started(group.command(long=long))
    behind = os.getpriority(os.PRIO_PROCESS, 0) + group.niceness
    os.setpriority(os.PRIO_PROCESS, process.pid, behind)  # its workers, which it starts, inherit that
    closing = shown(process)
    code = process.wait()
    said(f"pytest: {group.name}", began_s, code)
    return closing, code == 0


def shown(process: "subprocess.Popen[str]") -> str:
    """Print the progress of a run of pytest as it goes, and what it reports in one piece; its closing line is returned.

    Another run may print meanwhile: a report that came line by line would be torn.
    """
    assert process.stdout is not None
    report: list[
        str
    ] = []  # from the first heading on; before it, the newest line, which may be the closing one
    for line in process.stdout:
        if report and not report[0].startswith("="):
            print(report.pop(), end="", flush=True)
        report.append(line)
    print("".join(report[:-1]), end="", flush=True)
    return report[-1].strip() if report else ""


def summed(closing: list[str]) -> str:
    """The counts of several closing lines of pytest as those of one."""
    counts: Counter[str] = Counter()
    for line in closing:
        for count, outcome in re.findall(r"(\d+) ([a-z]+)", line.partition(" in ")[0]):
            counts[outcome] += int(count)
    return ", ".join(f"{count} {outcome}" for outcome, count in counts.items()) or "no test ran"


def main() -> int:
    """Run the checks beside the tests that compute, then the other tests; 1 if any failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fix", action="store_true", help="format and mend what ruff can mend, first")
    parser.add_argument("--long", action="store_true", help="also the tests marked long")
    chosen = parser.parse_args()
    began_s = time.monotonic()
    failed = failures(FIXES) if chosen.fix else []
    with ThreadPoolExecutor(1) as side_by_side:
        checked = side_by_side.submit(failures, CHECKS)
        failed += failures((COMPILED,))
        tested = [tests_pass(group, long=chosen.long) for group in IN_TURN]
        failed += checked.result()
    tested.append(tests_pass(real_time(), long=chosen.long))
    if failed:
        print(f"failed beside the tests: {', '.join(failed)}")
    print(f"{summed([line for line, _ in tested])} in {time.monotonic() - began_s:.2f}s", flush=True)
    return 0 if not failed and all(passed for _, passed in tested) else 1


if __name__ == "__main__":
    sys.exit(main())
