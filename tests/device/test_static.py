"""What analysers say of the device half: nothing. `make -C protocol/device analyse` runs the same by hand."""

import re
import subprocess

import pytest
from tests.device.build import BUILD, DEVICE

RULES = (DEVICE / "analyse.mk").read_text(encoding="utf-8")
ANALYSES = re.findall(r"^(analyse-[a-z-]+):", RULES, re.MULTILINE)
MISSING = 127  # what a shell says of a program that is not there


@pytest.mark.parametrize("analysis", ANALYSES)
def test_an_analysis_finds_nothing(analysis: str) -> None:
    done = subprocess.run(
        ["make", "--no-print-directory", analysis], check=False, cwd=DEVICE, text=True, capture_output=True
    )
    assert str(MISSING) not in done.stderr, f"a tool is missing; tests/run installs it: {done.stderr}"
    assert done.returncode == 0, f"make -C protocol/device {analysis}\n{done.stdout}{done.stderr}"


def test_every_analysis_is_among_those_that_make_analyse_runs() -> None:
    listed = re.search(r"^ANALYSES := ((?:.*\\\n)*.*)$", RULES, re.MULTILINE)
    assert listed
    assert sorted(listed[1].replace("\\\n", " ").split()) == sorted(ANALYSES)
    assert len(ANALYSES) == 8


@pytest.mark.parametrize(
    ("analysis", "fault"),
    [
        ("analyse-gcc", "int f(long a) { return a; }"),
        ("analyse-clang", "int f(long a) { return a; }"),
        ("analyse-arm", "int f(long long a) { return a; }"),
        (
            "analyse-fanalyzer",
            "#include <stdlib.h>\nint f(void); int f(void) { int *p = malloc(4); return p == 0; }",
        ),
        ("analyse-cppcheck", "int f(void); int f(void) { int a[2] = {0, 0}; return a[2]; }"),
        ("analyse-tidy", "int f(int a); int f(int a) { if (a) return 1; else return 1; }"),
        ("analyse-format", "int   f ( void ) ;"),
    ],
)
def test_an_analysis_finds_a_planted_fault(analysis: str, fault: str) -> None:
    planted = (
        BUILD / "planted" / f"{analysis.replace('-', '_')}.c"
    )  # out of the way of whoever builds meanwhile
    planted.parent.mkdir(parents=True, exist_ok=True)
    planted.write_text(fault + "\n", encoding="utf-8")
    only = planted.relative_to(DEVICE)
    lists = [f"{name}={only}" for name in ("HOSTED_SOURCES", "BARE_SOURCES", "CPPCHECKED", "FORMATTED")]
    done = subprocess.run(["make", analysis, *lists], check=False, cwd=DEVICE, text=True, capture_output=True)
    assert done.returncode != 0
    assert planted.name in done.stdout + done.stderr
