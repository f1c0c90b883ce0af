"""`tidy`, `keep` and `redate`: shown first, done only when it is said, by a name."""

import json
from pathlib import Path

import pytest
from tests.cli.terminal import sentences, too_wide, typed
from tests.storage.scenario import RUN
from tests.storage.test_tidying import everything, two_nights

EXAMPLE = Path(__file__).parents[2] / "examples" / "bench.toml"
RULE = """
[retention]
tape = { days = 4 }
raw = { days = "ever", gb = 0.000001 }
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A rig file whose data root holds a run that is over and one under way."""
    path = tmp_path / "bench.toml"
    path.write_text(EXAMPLE.read_text(encoding="utf-8") + RULE, encoding="utf-8")
    two_nights(tmp_path / "nights")
    return path


def test_tidy_shows_run_kind_size_and_why_and_deletes_only_with_apply_and_a_name(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = bench.parent / "nights"
    before = everything(root)
    code, out, _ = typed(["tidy", "--bench", str(bench)], capsys)
    assert (code, everything(root), too_wide(out)) == (0, before, [])
    assert "would be deleted with --apply" in out
    assert f"pan-a1 {RUN}  raw " in out
    code, _, err = typed(["tidy", "--bench", str(bench), "--apply"], capsys)
    assert (code, everything(root)) == (2, before)
    assert "--operator" in err
    code, out, _ = typed(
        ["tidy", "--bench", str(bench), "--apply", "--operator", "R. Vale", "--json"], capsys
    )
    done = json.loads(out)
    assert (code, done["applied"]) == (0, True)
    assert [(each["run"], each["kind"]) for each in done["cleared"]] == [(RUN, "raw")]
    assert done["joined"] == []
    code, out, _ = typed(["runs", str(root), RUN], capsys)
    assert "raw samples cleared" in out
    code, out, _ = typed(["verify", str(root), "--run", RUN], capsys)
    assert code == 0
    assert "its raw samples went on" in out


def test_tidy_joins_the_raw_chunks_of_a_run_that_is_over_only_with_apply(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    root = bench.parent / "nights"
    before = everything(root)
    code, out, _ = typed(["tidy", "--bench", str(bench)], capsys)
    assert (code, everything(root), too_wide(out)) == (0, before, [])
    said = " ".join(" ".join(sentences(out)).split())
    assert f"pan-a1 {RUN}: 3 raw chunks" in said
    assert "would be joined with --apply into 1 file" in said
    assert "would be deleted" not in out
    code, out, _ = typed(["tidy", "--bench", str(bench), "--apply", "--operator", "R. Vale"], capsys)
    assert (code, any(" joined into 1 file" in each for each in sentences(out))) == (0, True)
    assert len(list(root.glob(f"raw/**/run={RUN}/*.parquet"))) == 1
    code, out, _ = typed(["tidy", "--bench", str(bench)], capsys)
    assert (code, sentences(out)[-1]) == (0, "nothing is due")


def test_keep_says_what_is_recorded_and_a_run_that_is_not_there_is_an_error_of_storage(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    named = ["--operator", "R. Vale", "--reason", "complaint", "--bench", str(bench)]
    code, out, _ = typed(["keep", RUN, *named], capsys)
    assert (code, out) == (0, f"pan-a1  {RUN}  kept by R. Vale: complaint\n")
    code, out, _ = typed(["tidy", "--bench", str(bench)], capsys)
    assert (code, "would be deleted" in out) == (0, False)
    code, out, _ = typed(["keep", RUN, "--release", "--json", *named], capsys)
    assert (code, json.loads(out)[0]["what"]) == (0, "released")
    code, _, err = typed(["keep", "20250101T000000Z-0000", *named], capsys)
    assert (code, "has no run" in err) == (4, True)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        (
            "tape = { days = 2 }",
            '[retention.tape], days: 2 is out of range; allowed: a number from 4 to 36500, or "ever"',
        ),
        (
            'raw = { days = "for ever" }',
            '[retention.raw], days: "for ever" is text; allowed: a number from 4 to 36500, or "ever"',
        ),
        ("figures = { days = 30 }", "before the raw samples that prove them"),
        ("tapes = { days = 9 }", "tape"),
    ],
)
def test_check_refuses_a_retention_that_cannot_be_meant(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rule: str, said: str
) -> None:
    path = tmp_path / "bench.toml"
    text = EXAMPLE.read_text(encoding="utf-8")
    path.write_text(f"{text}\n[retention]\n{rule}\n", encoding="utf-8")
    code, _, err = typed(["check", str(path)], capsys)
    assert (code, said in err) == (2, True), err


def test_redate_says_what_is_recorded_and_the_list_and_verify_show_it(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = str(bench.parent / "nights")
    named = ["--operator", "R. Vale", "--reason", "the host was late", "--bench", str(bench)]
    code, out, _ = typed(["redate", RUN, "--by", "3600", *named], capsys)
    said = "times corrected by +3600.000 s by R. Vale: the host was late"
    assert (code, " ".join(out.split())) == (0, f"pan-a1 {RUN} {said}")
    _, out, _ = typed(["runs", root], capsys)
    assert (said in " ".join(out.split()), "started 2026-11-25 22:30:00" in out) == (True, True)
    code, out, _ = typed(["verify", root, "--run", RUN], capsys)
    assert (code, f"{said}; its clock was corrected once" in " ".join(out.split())) == (0, True)
    for wrong in ("nan", "1e30"):
        code, _, err = typed(["redate", RUN, "--by", wrong, *named], capsys)
        assert (code, "is no correction of a clock" in err) == (2, True)
