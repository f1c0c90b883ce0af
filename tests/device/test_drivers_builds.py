"""The drivers under every compiler that a porter has, and their own tests once more under the sanitizers."""

import ctypes
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from tests.device.build import built
from tests.device.drivers import ADC_QUEUE_AT, DEFAULT_BUILD, MIRRORED, AdcHead, sizes

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
TESTS = sorted(path.name for path in HERE.glob("test_drivers_*.py") if path.name != Path(__file__).name)
HANG_S = 300


@pytest.mark.parametrize(
    ("tool", "package", "target"),
    [
        ("gcc", "gcc", DEFAULT_BUILD),
        ("clang", "clang", "drivers-clang.so"),
        ("arm-none-eabi-gcc", "gcc-arm-none-eabi", "drivers-cortex-m3.o"),
    ],
)
def test_drivers_and_example_compile_with_all_warnings_as_errors(
    tool: str, package: str, target: str
) -> None:
    assert shutil.which(tool), f"{tool} is missing: tests/run installs it (Debian package {package})"

    assert built(target).stat().st_size > 0


def test_the_drivers_need_nothing_of_a_c_library_but_memory_functions() -> None:
    """No heap, no stdio: what the Cortex-M3 object leaves undefined is short."""
    listed = subprocess.run(
        ["arm-none-eabi-nm", "--undefined-only", str(built("drivers-cortex-m3.o"))],
        check=True,
        capture_output=True,
        text=True,
    )
    undefined = {line.split()[-1] for line in listed.stdout.splitlines()}
    own = {name for name in undefined if not name.startswith("__aeabi_")}  # arithmetic of the compiler's own

    assert own == {"memcpy", "memset", "memmove", "memcmp", "strlen", "example_registers"}


def test_the_structs_of_the_tests_are_those_of_the_compiler() -> None:
    found = sizes()

    assert [ctypes.sizeof(kind) for kind in MIRRORED] == found[: len(MIRRORED)]
    assert AdcHead.taken.offset + AdcHead.taken.size <= found[ADC_QUEUE_AT] <= ctypes.sizeof(AdcHead)


def test_the_tests_of_the_drivers_pass_under_address_and_undefined_behaviour_sanitizers() -> None:
    built("drivers-sanitized.so")
    runtime = subprocess.run(
        ["gcc", "-print-file-name=libasan.so"], check=True, capture_output=True, text=True
    ).stdout.strip()
    assert Path(runtime).is_absolute(), f"no {runtime}: tests/run installs it (Debian package gcc)"
    environment = os.environ | {
        "NT_DRIVERS": "drivers-sanitized.so",
        "LD_PRELOAD": runtime,
        "PYTHONMALLOC": "malloc",  # every object of its own, so that a write beside one is seen
        "ASAN_OPTIONS": "detect_leaks=0",  # Python keeps what it has at exit
    }
    ran = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "--capture=no",  # or the report of a sanitizer dies with the process
            *(f"tests/device/{name}" for name in TESTS),
        ],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        timeout=HANG_S,
        check=False,
    )

    assert len(TESTS) == 6
    assert ran.returncode == 0, ran.stdout[-4000:] + ran.stderr[-4000:]
