"""A report as PDF: the same pages and bytes wherever it is made, with the figures attached; what is not installed is one line."""

import hashlib
import importlib.abc
import math
import subprocess
import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import msgspec
import pytest
from replay_logs.make import Recorded
from tests.cli.terminal import typed
from tests.report.test_document import Page
from typing_extensions import override

import nightturn
from nightturn.report import printed
from nightturn.report.printed import unprintable

PROGRAM = "from nightturn.cli import main; main()"
BYTES_MAX = 1_500_000


@pytest.fixture(scope="module")
def written(recorded: Recorded, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The same report made by two processes, each in a folder of its own: where its files lie."""
    folders = [tmp_path_factory.mktemp(name) for name in ("one", "two")]
    call = [sys.executable, "-c", PROGRAM, "report", str(recorded.root), "--pdf", "--out", "out"]
    running = [
        subprocess.Popen(call, cwd=folder, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        for folder in folders
    ]
    for each in running:
        assert each.communicate(timeout=180)[1] == ""
    return [folder / "out" for folder in folders]


def one(folder: Path, ending: str) -> Path:
    (found,) = folder.glob(f"*{ending}")
    return found


def said(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, timeout=60, text=True).stdout


def test_two_processes_in_two_folders_write_the_same_bytes(written: list[Path]) -> None:
    first, second = ({each.name: each.read_bytes() for each in folder.iterdir()} for folder in written)
    assert sorted(Path(name).suffix for name in first) == [".html", ".pdf"]
    assert first == second
    assert max(map(len, first.values())) < BYTES_MAX


def test_it_holds_the_fonts_of_the_wheel_and_no_others(written: list[Path]) -> None:
    lines = said("pdffonts", str(one(written[0], ".pdf"))).splitlines()[2:]
    assert lines
    assert all("+DejaVu-" in line and " yes yes " in line for line in lines)


def test_its_text_is_that_of_the_page_and_its_foot_names_the_html(written: list[Path]) -> None:
    html, pdf = (one(written[0], ending) for ending in (".html", ".pdf"))
    words = "".join(said("pdftotext", "-layout", "-nopgbrk", str(pdf), "-").split())
    assert f"SHA-256oftheHTML{hashlib.sha256(html.read_bytes()).hexdigest()}" in words
    plain = "".join(said("pdftotext", "-raw", "-nopgbrk", str(pdf), "-").split())
    first_page = html.read_text("utf-8").split("<h2>Figures against limits</h2>")[0]
    for text in Page(first_page.split("<main>")[1] + "</main>", balanced=False).words:
        assert "".join(text.split()) in plain, text


def test_it_carries_its_figures_as_the_api_gives_them(
    written: list[Path], recorded: Recorded, tmp_path: Path
) -> None:
    pdf = one(written[0], ".pdf")
    said("pdfdetach", "-saveall", "-o", str(tmp_path), str(pdf))
    found = msgspec.json.decode(one(tmp_path, ".json").read_bytes())
    cycles = nightturn.open_run(recorded.root).cycles().sort_values("ts_start", kind="stable")
    assert found["cycle_no"] == cycles["cycle_no"].tolist()
    for name, figure in found["figures"].items():
        for column, key in ((name, "value"), (f"{name}_u", "u"), (f"{name}_nu", "nu")):
            known = [None if math.isnan(each) else each for each in cycles[column].astype(float)]
            assert figure[key] == known, column
        assert figure["status"] == cycles[f"{name}_status"].tolist()
    facts = said("pdfinfo", str(pdf))
    assert "Tagged:          yes" in facts
    assert "A4" in facts
    end = max(cycles["ts_end"]).strftime("%b %e %H:")
    assert f"{end}" in next(line for line in facts.splitlines() if line.startswith("CreationDate"))
    assert 'pdfaid:part="3" pdfaid:conformance="B"' in said("pdfinfo", "-meta", str(pdf))


def test_signs_that_the_fonts_lack_are_named_with_what_brings_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(printed, "WIDE", "no_such_package")
    brings = " (pip install 'nightturn[cjk]' brings those of Chinese, Japanese and Korean)"
    assert unprintable("Q-1 ± µ · \u05d0\u05d1 \u0645\u0647\u0646\u062f\u0633 \u2212 \u2190 \u2192") == ""
    assert unprintable("\u5358\u4f53-7") == "U+4F53, U+5358" + brings
    assert unprintable("".join(map(chr, range(0x4E00, 0x4E0A)))).endswith("U+4E07 and 2 more" + brings)


class Absent(importlib.abc.MetaPathFinder):
    """An import that fails as it does where something is not installed."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    @override
    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname == "weasyprint":
            raise self.error
        return None


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (
            ModuleNotFoundError("No module named 'weasyprint'"),
            "--pdf: needs WeasyPrint, which is not installed; allowed: pip install 'nightturn[pdf]'",
        ),
        (
            OSError("cannot load library 'libpango-1.0-0'"),
            "--pdf: needs Pango, a library of the system, which is not installed; allowed: libpango-1.0-0 and libpangoft2-1.0-0",
        ),
    ],
    ids=["the extra", "the system's library"],
)
def test_what_is_not_installed_is_named_and_the_html_is_there(
    error: Exception,
    words: str,
    recorded: Recorded,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "weasyprint"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(sys, "meta_path", [Absent(error), *sys.meta_path])
    outcome = typed(["report", str(recorded.root), "--pdf", "--out", str(tmp_path)], capsys)
    assert outcome.code == 2
    assert words in " ".join(outcome.err.split())
    assert [each.suffix for each in tmp_path.iterdir()] == [".html"]
