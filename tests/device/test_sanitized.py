"""Every test of the core again in a build that stops at the first wrong address and the first undefined operation."""

import ctypes
import subprocess

from tests.device.build import built
from tests.device.library import BUILDS
from tests.device.other_builds import AROUND, CODEC, LINK, MOTION, PLANT, run_tests

OPTIONS = {"ASAN_OPTIONS": "detect_leaks=0:abort_on_error=1", "UBSAN_OPTIONS": "print_stacktrace=1"}


def runtimes() -> str:
    """The sanitizers' libraries, which must come before Python itself."""
    names = ("libasan.so", "libubsan.so")
    found = [
        subprocess.check_output(["gcc", f"-print-file-name={name}"], text=True).strip() for name in names
    ]
    assert all("/" in path for path in found), "gcc has no sanitizers: tests/run installs libc6-dev and gcc"
    return " ".join(found)


def test_no_address_is_wrong_and_nothing_is_undefined() -> None:
    done = run_tests("sanitized", CODEC + LINK + MOTION + AROUND + PLANT, LD_PRELOAD=runtimes(), **OPTIONS)
    assert done.returncode == 0, done.stdout[-6000:] + done.stderr[-6000:]
    assert " passed" in done.stdout


def test_the_sanitized_build_is_one() -> None:
    symbols = subprocess.check_output(["nm", "-D", built(BUILDS["sanitized"])], text=True)
    assert "__asan_report_load1" in symbols
    assert "__ubsan_handle_add_overflow_abort" in symbols
    assert ctypes.sizeof(ctypes.c_void_p) == 8
