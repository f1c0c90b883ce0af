"""libFuzzer with ASan and UBSan on decoder, link and command handler: the committed corpus, then new inputs for a while."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from tests.device.build import built

CORPUS = Path(__file__).parent / "corpus"
TARGETS = ("decoder", "link", "commands")
SECONDS, SECONDS_LONG = 1, 20  # on top of the whole corpus
HANG_S = 300
FILES_MAX, BYTES_MAX = 300, 300_000
LIMITS = ("-timeout=10", "-rss_limit_mb=2048", "-print_final_stats=1", "-max_len=1500")


def target(name: str) -> Path:
    assert shutil.which("clang"), (
        "clang is missing: tests/run installs it (Debian packages clang, libclang-rt-dev)"
    )
    return built(f"fuzz-{name}")


def fuzz(name: str, room: Path, *options: str) -> tuple[int, str]:
    """Run a target in a folder of its own; what it found new stays there."""
    new = room / name
    new.mkdir()
    command = [str(target(name)), *LIMITS, *options, str(new), str(CORPUS / name)]
    ran = subprocess.run(
        command, cwd=room, capture_output=True, text=True, errors="replace", timeout=HANG_S, check=False
    )
    return ran.returncode, f"{' '.join(command)}\n{ran.stderr[-6000:]}"


def runs(said: str) -> int:
    (number,) = re.findall(r"stat::number_of_executed_units:\s*(\d+)", said)
    return int(number)


def test_the_corpus_is_small_and_every_target_has_one() -> None:
    files = [path for path in CORPUS.rglob("*") if path.is_file()]
    assert {path.parent.name for path in files} == set(TARGETS)
    assert {path.suffix for path in files} == {".bin"}
    assert len(files) <= FILES_MAX
    assert sum(path.stat().st_size for path in files) <= BYTES_MAX


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_in_the_corpus_breaks_a_promise(name: str, tmp_path: Path) -> None:
    code, said = fuzz(name, tmp_path, "-runs=0")
    assert code == 0, said
    assert runs(said) >= len(list((CORPUS / name).iterdir()))


@pytest.mark.parametrize("seconds", [SECONDS, pytest.param(SECONDS_LONG, marks=pytest.mark.long)])
@pytest.mark.parametrize("name", TARGETS)
def test_no_new_input_breaks_a_promise(name: str, seconds: int, tmp_path: Path) -> None:
    code, said = fuzz(name, tmp_path, f"-max_total_time={seconds}")
    assert code == 0, said
    assert runs(said) > len(list((CORPUS / name).iterdir()))
