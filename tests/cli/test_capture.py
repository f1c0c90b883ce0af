"""`capture`: a table of 80 columns, one picture, JSON, questions; the invented captures and what README promises of them."""

import json
import runpy
from pathlib import Path

import pytest
from tests.cli.terminal import pairs, too_wide, typed

ROOT = Path(__file__).resolve().parent.parent.parent
CAPTURES = ROOT / "examples" / "captures"
FACTOR = ["--factor", "4", "--rated", "15"]
COMMANDS = {
    "reversal.csv": FACTOR,
    "step.csv": FACTOR,
    "hold.tsv": ["--rated", "15", "--counts", "4096"],
    "index.txt": ["--factor", "10", "--rated", "15", "--index", "index"],
    "edges.csv": ["--counts", "360", "--rated", "15"],
    "resolver.csv": ["--rated", "15"],
    "speed.csv": [*FACTOR, "--rate", "200", "--rpm", "10"],
}


@pytest.fixture(autouse=True)
def _there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_invented_captures_are_what_their_script_writes() -> None:
    made = runpy.run_path(str(CAPTURES / "make.py"))["CAPTURES"]
    assert (
        {path.name for path in CAPTURES.iterdir()} - {"make.py", "README.md", "__pycache__"}
        == set(made)
        == set(COMMANDS)
    )
    for name, lines in made.items():
        assert (CAPTURES / name).read_text(encoding="utf-8") == "\n".join(lines()) + "\n", name


@pytest.mark.parametrize("name", COMMANDS)
def test_each_invented_capture_gives_its_friction_or_ripple(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = typed(["capture", str(CAPTURES / name), *COMMANDS[name], "--json"], capsys)
    assert (code, err) == (0, "")
    found = json.loads(out)
    by = {each["figure"]: each for each in found["figures"]}
    one_way = name in {"index.txt", "speed.csv"}
    truth = {"index.txt": 0.048, "speed.csv": 0.040}.get(name, 0.110)
    figure = by["ripple" if one_way else "friction"]
    assert figure["value_nm"] == pytest.approx(truth, rel=0.02)
    assert figure["pct_rated"] == pytest.approx(100 * figure["value_nm"] / 15)
    assert figure["half_width_nm"] < 0.002
    assert Path(found["picture"]).read_text(encoding="utf-8").startswith("<?xml")


def test_the_table_fits_and_says_what_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["capture", str(CAPTURES / "reversal.csv"), *FACTOR, "--out", "turn.svg"], capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    rows = dict(pairs(out))
    assert rows["ripple"] == "not in it, see below"
    assert rows["friction"].startswith("109.7")
    assert " ± " in rows["friction"]
    assert "0.7317 %" in rows["friction"]
    assert "No ripple under load: no torque was held." in out
    assert out.endswith("picture: turn.svg\n")
    assert "zero 0.024" in Path("turn.svg").read_text(encoding="utf-8")


def test_what_cannot_be_done_ends_with_two_and_a_remedy(capsys: pytest.CaptureFixture[str]) -> None:
    for words, said in (
        (
            ["reversal.csv", "--factor", "4"],
            "--rated is missing: give the rated torque of the actuator in N·m; --ask asks for everything",
        ),
        (["reversal.csv", "--rated", "15"], "the torque is in mV; give --factor, N·m per V"),
        (
            ["reversal.csv", *FACTOR, "--angle", "deg"],
            "--angle deg: no such column; there are column 1 (Time, s)",
        ),
    ):
        code, out, err = typed(["capture", str(CAPTURES / words[0]), *words[1:]], capsys)
        assert (code, out) == (2, "")
        assert said in err
    assert list(Path().iterdir()) == []


def test_a_picture_that_cannot_be_written_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    Path("file").touch()
    code, _, err = typed(
        ["capture", str(CAPTURES / "step.csv"), *FACTOR, "--out", "file/picture.svg"], capsys
    )
    assert code == 4
    assert "file/picture.svg cannot be written" in err
    assert "choose another place with --out" in err


def answer(monkeypatch: pytest.MonkeyPatch, *answers: str) -> list[str]:
    """Answers for the questions, which are collected."""
    asked: list[str] = []
    left = iter(answers)

    def prompt(question: str) -> str:
        asked.append(question)
        return next(left)

    monkeypatch.setattr("typer.prompt", prompt)
    return asked


def test_questions_lead_to_the_figures_and_to_the_command_without_them(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answer(monkeypatch, "7", "1", "bridge", "many", "4", "3", "15")
    code, out, err = typed(["capture", str(CAPTURES / "reversal.csv"), "--ask"], capsys)
    assert (code, err) == (0, "")
    assert asked == [
        "Which column is the time, by number? (none: there is none)",
        "Which column is the time, by number? (none: there is none)",
        "Which column is the torque?",
        "Factor, N·m per V?",
        "Factor, N·m per V?",
        "Which column is the angle? (none: there is none)",
        "Rated torque of the actuator, N·m?",
    ]
    assert "Not understood; allowed: a number from 1 to 3, or none." in out
    assert "--time 1 --torque 2 --angle 3 --factor 4 --rated 15" in out
    assert dict(pairs(out))["friction"].startswith("109.7")


def test_questions_where_there_is_neither_time_nor_angle(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, "none", "200", "1", "4", "none", "perhaps", "yes", "10", "-1", "15")
    code, out, _ = typed(["capture", str(CAPTURES / "speed.csv"), "--ask"], capsys)
    assert code == 0
    assert "--torque 1 --factor 4 --rated 15 --rate 200 --rpm 10" in out
    assert "Angle-locked figures assume constant 10 rpm." in out


@pytest.mark.parametrize(
    ("file", "answers", "typed_again"),
    [
        (
            "edges.csv",
            ("1", "4", "none", "no", "encoder", "tracks", "2", "9", "3", "360", "15"),
            "--time 1 --torque 4 --a 2 --b 3 --rated 15 --counts 360",
        ),
        (
            "index.txt",
            ("1", "3", "10", "none", "no", "index", "2", "1", "15"),
            "--time 1 --torque 3 --index 2 --factor 10 --rated 15",
        ),
        (
            "resolver.csv",
            ("1", "4", "none", "no", "sine", "2", "3", "1", "15"),
            "--time 1 --torque 4 --sine 2 --cosine 3 --rated 15",
        ),
    ],
)
def test_questions_find_an_angle_in_tracks_an_index_pulse_or_a_sine(
    file: str,
    answers: tuple[str, ...],
    typed_again: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    answer(monkeypatch, *answers)
    code, asked, err = typed(["capture", str(CAPTURES / file), "--ask"], capsys)
    assert (code, err) == (0, "")
    line = next(each for each in asked.splitlines() if each.startswith("  nightturn capture "))
    assert line.endswith(f"{file} {typed_again}")
    code, plain, _ = typed(line.split()[1:], capsys)
    assert code == 0
    assert plain in asked


def test_five_wrong_answers_end_the_questions_and_nothing_is_left(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, *["?"] * 5)
    code, _, err = typed(["capture", str(CAPTURES / "reversal.csv"), "--ask"], capsys)
    assert code == 2
    assert "was not answered in 5 tries; give it as an option: nightturn capture --help" in err
    assert list(Path().iterdir()) == []
