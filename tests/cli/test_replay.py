"""`replay`: identical or every difference, as text and as JSON, with exit code 1 when it differs."""

import json
import shutil
from pathlib import Path

import pytest
from replay_logs.make import FOLDER
from tests.cli.terminal import sentences, too_wide, typed

from nightturn.estimation.figures import COGGING_PP, FIGURES
from nightturn.replay.expected import Expected, read_expected

SPALL = FOLDER / "spall.ntj"


@pytest.fixture
def tape(tmp_path: Path) -> Path:
    """A tape with its expectation, to be spoilt."""
    for name in (SPALL.name, "spall.expected.json"):
        shutil.copyfile(FOLDER / name, tmp_path / name)
    return tmp_path / SPALL.name


def expectation(tape: Path) -> Expected:
    expected = read_expected(tape)
    assert expected is not None
    return expected


def test_an_untouched_tape_is_identical(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["replay", str(SPALL)], capsys)
    assert (code, err) == (0, "")
    assert too_wide(out) == []
    (line,) = sentences(out)
    assert line.startswith("spall.ntj: identical (every effect, sums and figures: equal ")


def test_the_fast_form_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = typed(["replay", str(SPALL), "--figures", "--json"], capsys)
    told = json.loads(out)
    assert code == 0
    assert (told["identical"], told["differences"], told["cycles"]) == (True, [], 1)
    assert told["samples"] == expectation(SPALL).samples


def test_a_changed_method_is_told_and_ends_with_one_until_it_is_accepted(
    tape: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import msgspec

    spec = FIGURES[COGGING_PP]
    monkeypatch.setitem(FIGURES, COGGING_PP, msgspec.structs.replace(spec, method=spec.method + 1))
    value = expectation(tape).rows.cycles[0].figure(COGGING_PP).value
    code, out, _ = typed(["replay", str(tape)], capsys)
    assert code == 1
    head, *differences = out.replace("\n    ", " ").splitlines()
    assert head.startswith("spall.ntj: 1 difference (every effect, sums and figures: compared ")
    assert differences == [
        f"  cycle 1: cogging_pp_nm method {spec.method} -> {spec.method + 1}: {value:.6g} -> {value:.6g}"
    ]
    code, out, _ = typed(["replay", str(tape), "--accept"], capsys)
    assert code == 0
    assert "accepted as spall.expected.json" in out
    assert typed(["replay", str(tape)], capsys).code == 0
    assert expectation(tape).made_by == expectation(SPALL).made_by


def test_a_torn_tape_says_how_many_bytes_are_no_whole_record(
    tape: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = tape.read_bytes()
    tape.write_bytes(content[:-7])
    (tape.parent / "spall.expected.json").unlink()
    code, out, err = typed(["replay", str(tape)], capsys)
    assert (code, err) == (1, "")
    assert (
        "spall.ntj: identical up to the damage (every effect; the tape has no expectation file beside it)"
        in " ".join(out.split())
    )
    assert too_wide(out) == []
    assert "\n  damaged: spall.ntj: " in out
    assert "are not a whole record" in " ".join(out.split())


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["none.ntj"], 4, "none.ntj: no such tape; give a *.ntj file, or a data root with --fixture"),
        (
            ["."],
            2,
            "contains no tape; allowed: a *.ntj file, a folder of them, or --fixture ID with a data root",
        ),
        (
            [".", "--fixture", "pan-a1"],
            4,
            "no tape of run latest of pan-a1 under .; tapes are there of: none",
        ),
        ([".", "--fixture", "../x"], 4, "not the names of a fixture and a run"),
        ([str(SPALL), "--figures", "--tile", "50"], 2, "only a full replay can do that"),
    ],
)
def test_what_cannot_be_replayed_is_one_line(
    arguments: list[str],
    code: int,
    message: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    ended = typed(["replay", *arguments], capsys)
    assert (ended.code, ended.out) == (code, "")
    assert message in ended.err
    assert len(ended.err.splitlines()) == 1
