"""Every check that a change must pass, a line each: `python tests/check.py [--fix] [--long]`."""

import argparse
import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PYTHON = Path(sys.executable)
LONGEST_TEST_S = 600  # a test that hangs shows where it hangs, long before the build server gives up

FIXES = (("ruff", "check", "--fix", "--quiet"), ("ruff", "format", "--quiet"))
CHECKS = (
    ("ruff", "format", "--check", "--quiet"),
    ("ruff", "check", "--quiet"),
    ("mypy", "--no-error-summary"),
    ("lint-imports", "--no-logo"),
    ("python", "protocol/generate.py", "--check"),
)
TESTS = (
    "pytest",
    "-q",
    "-o",
    f"faulthandler_timeout={LONGEST_TEST_S}",
    "--durations=12",
    "--durations-min=5",
)
# One more than the build server has cores, because daemons and devices mostly wait. A file's tests stay together, so its
# fixtures are made once; `tests/conftest.py` puts the longest files first, so that none runs on alone at the end.
WORKERS = 3
SHARED = ("-n", str(WORKERS), "--dist", "loadfile", "--no-loadscope-reorder")
# Emulated boards that starve beside other tests lose samples, as a real one never would: those come last, one by one.
GROUPS = ((SHARED, "not alone"), ((), "alone"))


def said(command: tuple[str, ...], began_s: float, code: int) -> None:
    """Print the line of one check."""
    verdict = "ok  " if code == 0 else "FAIL"
    print(f"{verdict} {time.monotonic() - began_s:6.1f} s  {' '.join(command)}", flush=True)


def started(command: tuple[str, ...]) -> "subprocess.Popen[str]":
    """Start one tool of this environment, at the root."""
    return subprocess.Popen(
        [PYTHON.with_name(command[0]), *command[1:]],
        cwd=ROOT,
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
    said(command, began_s, process.returncode)
    if process.returncode != 0:
        print(printed.rstrip(), flush=True)
    return process.returncode == 0


def tests_pass(*, long: bool, failed: list[str]) -> bool:
    """Run the groups of tests and show them as they go; a line with all of their sums ends the output."""
    began_s = time.monotonic()
    closing, codes = [], []
    for options, marked in GROUPS:
        command = (*TESTS, *options, "-m", marked if long else f"{marked} and not long")
        group_began_s = time.monotonic()
        process = started(command)
        closing.append(shown(process))
        codes.append(process.wait())
        said(command, group_began_s, codes[-1])
    if failed:
        print(f"failed before the tests: {', '.join(failed)}")
    print(f"{summed(closing)} in {time.monotonic() - began_s:.2f}s", flush=True)
    return not any(codes)


def shown(process: "subprocess.Popen[str]") -> str:
    """Print what a run of pytest says as it goes; its closing line is held back and returned."""
    assert process.stdout is not None
    held = ""
    for line in process.stdout:
        if held:
            print(held, end="", flush=True)
        held = line
    return held.strip()


def summed(closing: list[str]) -> str:
    """The counts of several closing lines of pytest as those of one."""
    counts: Counter[str] = Counter()
    for line in closing:
        for count, outcome in re.findall(r"(\d+) ([a-z]+)", line.partition(" in ")[0]):
            counts[outcome] += int(count)
    return ", ".join(f"{count} {outcome}" for outcome, count in counts.items()) or "no test ran"


def main() -> int:
    """Run the checks in the order of their cost; 1 if any failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fix", action="store_true", help="format and mend what ruff can mend, first")
    parser.add_argument("--long", action="store_true", help="also the tests marked long")
    chosen = parser.parse_args()
    commands = (*FIXES, *CHECKS) if chosen.fix else CHECKS
    failed = [" ".join(command[:2]) for command in commands if not passes(command)]
    tested = tests_pass(long=chosen.long, failed=failed)
    return 0 if tested and not failed else 1


if __name__ == "__main__":
    sys.exit(main())
