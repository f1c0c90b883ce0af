"""`calibrate`: readings, questions or a certificate become one line of an append-only file, or nothing does."""

import json
import time
from pathlib import Path

import pytest
from tests.cli.terminal import pairs, too_wide, typed
from tests.settings.bench_folder import write_bench

from nightturn.calibrate.guided import steps
from nightturn.calibration.records import CalibrationRecord, parse
from nightturn.cli.calibration_text import calibration_row
from nightturn.settings.load import load_rig
from nightturn.settings.validate import fixture_named

LEVER = ["--arm", "0.5", "--arm-u", "0.00005", "--latitude", "52", "--height", "60"]
SIGN = ["--data", "nights", "--by", "R. Vale"]
G = 9.812436  # m/s², 52° and 60 m by the formula
MASSES = (0.5, 1.0, 2.0)


@pytest.fixture(autouse=True)
def _there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def records(serial: str = "TR-204") -> tuple[CalibrationRecord, ...]:
    """What the file holds."""
    path = Path("nights/calibrations") / f"{serial}.jsonl"
    return parse(path.read_text(encoding="utf-8"), where=str(path)) if path.exists() else ()


def reading(mass_kg: float) -> float:
    """The output of a channel of 4 N·m/V, V."""
    return 0.012 + mass_kg * G * 0.5 * (1 - 1.5e-4) / 4.0


def weights(path: str, *, delimiter: str = ";") -> None:
    """A file of readings with masses, as somebody would write it."""
    rows = ["load [kg];reading [mV];series;position [deg]"]
    for series, position in ((1, 0), (2, 0), (3, 120)):
        rows += [
            f"{m};{1000 * reading(m) + 0.01 * ((series * 7 + at) % 3 - 1):.3f};{series};{position}"
            for at, m in enumerate((0, 0.5, 1, 2, 1, 0.5, 0))
        ]
    Path(path).write_text("\n".join(rows).replace(";", delimiter) + "\n", encoding="utf-8")


def test_readings_of_masses_give_a_record_with_every_contribution(capsys: pytest.CaptureFixture[str]) -> None:
    weights("weights.csv")
    code, out, err = typed(
        ["calibrate", "TR-204", *SIGN, "--readings", "weights.csv", *LEVER, "--mass-u", "0.001"], capsys
    )
    assert (code, err, too_wide(out)) == (0, "", [])
    (record,) = records()
    assert (record.id, record.signed_by) == ("TR-204/1", "R. Vale")
    assert record.factor_nm_per_v == pytest.approx(4.0, rel=1e-4)
    rows = dict(pairs(out))
    assert rows["arm"] == "0.01 %"
    assert rows["gravity"] == "0.0059 %"
    assert rows["mass"] == "0.001 %"
    assert rows["fit"].startswith("straight line; 3 series to 9.811 N·m")
    assert "appended to nights/calibrations/TR-204.jsonl; a run that begins from now on uses it" in " ".join(
        out.split()
    )


def test_a_later_record_supersedes_and_the_file_is_only_appended_to(
    capsys: pytest.CaptureFixture[str],
) -> None:
    certificate = ["--factor", "4.002", "--certificate", "QL 26/17", "--states", "factor_rel=0.0005/2"]
    code, out, _ = typed(["calibrate", "TR-204", *SIGN, *certificate], capsys)
    assert code == 0
    assert "4.002 N·m/V, ± 0.025 % (standard)" in out
    before = Path("nights/calibrations/TR-204.jsonl").read_bytes()
    code, out, _ = typed(
        ["calibrate", "TR-204", *SIGN, "--sensitivity", "2", "--rated", "20", "--json"], capsys
    )
    assert code == 0
    assert json.loads(out)["record"]["supersedes"] == "TR-204/1"
    assert Path("nights/calibrations/TR-204.jsonl").read_bytes().startswith(before)
    assert [each.id for each in records()] == ["TR-204/1", "TR-204/2"]


def test_zero_and_excitation_go_on_from_the_record_before(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path("nights/calibrations/TR-204.jsonl")
    path.parent.mkdir(parents=True)
    old = '{"id":"a","transducer":"TR-204","factor_nm_per_v":4.0,"zero_v":0.012,"excitation_v":10.0,"valid_from":"2026-01-12T00:00:00Z"}'
    path.write_text(old, encoding="utf-8")
    _, out, _ = typed(["calibrate", "TR-204", *SIGN, "--factor", "4.01"], capsys)
    assert dict(pairs(out))["zero"] == "0.012 V, as in a"
    assert [(each.zero_v, each.excitation_v) for each in records()] == [(0.012, 10.0)] * 2


def test_what_is_wrong_ends_with_two_and_nothing_is_kept(capsys: pytest.CaptureFixture[str]) -> None:
    weights("weights.csv")
    Path("bare.csv").write_text("load;reading\n0;0\n1;2\n", encoding="utf-8")
    Path("holes.csv").write_text("load [Nm];reading [V]\n0;0\n1;\n2;3\n", encoding="utf-8")
    for words, said in (
        (
            [],
            "nothing to keep: give --readings FILE, --guided FILE, or --factor or --sensitivity of a certificate",
        ),
        (
            ["--readings", "weights.csv"],
            "the loads are masses; give --arm in m, and --latitude with --height, or --gravity",
        ),
        (
            ["--readings", "weights.csv", "--arm", "0.5"],
            "gravity at the bench: give --latitude with --height, or --gravity in m/s²",
        ),
        (
            ["--readings", "weights.csv", "--arm", "0.5", "--gravity", "98"],
            "--gravity 98.0: give m/s², 9.7 to 9.9",
        ),
        (["--readings", "bare.csv"], "bare.csv: a unit is missing; name the column load [kg], [g] or [Nm]"),
        (["--readings", "holes.csv"], "holes.csv: row 2 has no value in one of its columns; read it again"),
        (
            ["--readings", "weights.csv", *LEVER, "--factor", "4"],
            "readings say the factor: leave --factor and --sensitivity out",
        ),
        (
            ["--factor", "4", "--states", "factor_rel"],
            "--states factor_rel: give KEY=VALUE, such as factor_rel=0.0005/2",
        ),
        (["--guided", "g.csv"], "--guided hangs masses on a lever: give --arm in m"),
        (
            ["--guided", "g.csv", "--readings", "weights.csv"],
            "--readings and --guided both bring readings; give one of them",
        ),
    ):
        code, out, err = typed(["calibrate", "TR-204", *SIGN, *words], capsys)
        assert (code, out) == (2, ""), words
        assert said in err
    code, _, err = typed(["calibrate", "../x", *SIGN, "--factor", "4"], capsys)
    assert (code, "give its serial, without slashes" in err) == (2, True)
    code, _, err = typed(["calibrate", "TR-204", "--data", "nights", "--by", " ", "--factor", "4"], capsys)
    assert (code, "--by is empty: a record is signed by a name" in err) == (2, True)
    assert records() == ()


class Stopped(KeyboardInterrupt):
    """Somebody presses Ctrl-C."""


def answer(monkeypatch: pytest.MonkeyPatch, answers: list[str]) -> list[str]:
    """Answers in their order, then Ctrl-C; the questions are collected."""
    asked: list[str] = []
    left = iter(answers)

    def prompt(question: str) -> str:
        asked.append(question)
        found = next(left, None)
        if found is None:
            raise Stopped
        return found

    monkeypatch.setattr("typer.prompt", prompt)
    return asked


GUIDED = ["calibrate", "TR-204", *SIGN, "--guided", "mine.csv", *LEVER]
PLAN = list(steps(MASSES))
OPENING = ["45", "V", "0.5 1 2"]


def read_off(at: int) -> str:
    """What a person types for a step, with a last digit that differs."""
    return f"{reading(PLAN[at].mass_kg) + 1e-5 * (at * 5 % 3 - 1):.5f}"


def test_ctrl_c_at_every_step_leaves_no_record_and_the_next_time_goes_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done = -1
    while done < len(PLAN):
        opening = OPENING if done < 0 else []
        take = [read_off(at) for at in range(max(done, 0), min(max(done, 0) + 5, len(PLAN)))]
        answer(monkeypatch, [*opening, *take])
        done = max(done, 0) + len(take)
        code, _, _ = typed(GUIDED, capsys)
        if done < len(PLAN):
            assert code != 0
            assert records() == ()
        else:
            assert code == 0
            break
    (record,) = records()
    assert record.factor_nm_per_v == pytest.approx(4.0, rel=1e-4)


def test_wrong_answers_are_asked_again_and_five_end_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = answer(monkeypatch, ["soon", "45", "lb", "mV/V", "1 1 2", "0.5 1", "0.5 1 2", *["?"] * 5])
    code, out, err = typed(GUIDED, capsys)
    assert code == 2
    assert out.startswith("Caution: hanging masses fall and a lever swings.")
    assert "Not understood; allowed: 3 to 20 different masses in kg, parted by blanks." in " ".join(
        out.split()
    )
    assert asked[-1] == "Series 1, first sense. No load, wait 30 s. Reading, mV/V?"
    assert "what was read is kept, and the same command goes on from there" in err
    assert records() == ()


def test_a_cold_channel_and_a_file_of_another_plan_are_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, ["5"])
    code, _, err = typed(GUIDED, capsys)
    assert (code, "5 minutes: let it warm up for 30 and ask again" in err) == (2, True)
    weights("mine.csv")
    code, _, err = typed(GUIDED, capsys)
    assert (code, "mine.csv was not begun by --guided; give another file, or --readings mine.csv" in err) == (
        2,
        True,
    )
    Path("mine.csv").write_text(
        "# masses 0.5 1 2\nload [kg];reading [V];series;position [deg]\n7;1;1;0\n", encoding="utf-8"
    )
    code, _, err = typed(GUIDED, capsys)
    assert (code, "mine.csv does not follow the plan" in err) == (2, True)


def test_check_says_until_when_a_calibration_holds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = write_bench(tmp_path)
    rig = load_rig(path)
    for days, said in (("365", "valid until "), ("10", " days: calibrate TR-204 again")):
        typed(["calibrate", "TR-204", *SIGN, "--factor", "4", "--valid-days", days], capsys)
        found = calibration_row(path, rig, fixture_named(rig, "pan-a1", str(path)), time.time_ns())
        assert said in dict(found.rows)["calibration"]


def test_a_page_shows_the_record_what_it_rests_on_and_that_no_class_is_claimed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    weights("weights.csv")
    words = ["calibrate", "TR-204", *SIGN, "--readings", "weights.csv", *LEVER, "--page", "out/record.html"]
    code, out, err = typed(words, capsys)
    assert (code, err, out.splitlines()[-1]) == (0, "", "page: out/record.html")
    page = Path("out/record.html").read_text(encoding="utf-8")
    for said in (
        "Calibration TR-204/1",
        "R. Vale",
        "reproducibility",
        "arm",
        "Residuals",
        "No class of a standard is judged",
    ):
        assert said in page
    outside = [
        "calibrate",
        "TR-9",
        *SIGN,
        "--factor",
        "4.002",
        "--certificate",
        "<QL> 26/17",
        "--page",
        "c.html",
    ]
    assert typed(outside, capsys).code == 0
    page = Path("c.html").read_text(encoding="utf-8")
    assert "certificate &lt;QL&gt; 26/17" in page
    assert "What the readings say" not in page


CLASSES = Path(__file__).resolve().parents[2] / "examples" / "classes.toml"


def test_a_class_is_said_by_a_file_of_limits_and_always_to_be_checked(
    capsys: pytest.CaptureFixture[str],
) -> None:
    weights("weights.csv")
    words = ["calibrate", "TR-204", *SIGN, "--readings", "weights.csv", *LEVER]
    code, out, err = typed([*words, "--classes", str(CLASSES), "--page", "c.html"], capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    origin = (
        "limits of invented numbers, no standard, nobody has checked the numbers: check against your copy"
    )
    assert dict(pairs(out))["class"] == f"A, of what was measured; {origin}"
    page = Path("c.html").read_text(encoding="utf-8")
    assert origin in page
    assert "No class of a standard is judged" not in page
    tight = CLASSES.read_text(encoding="utf-8").replace("linearity_pct = 0.05", "linearity_pct = 1e-9")
    Path("tight.toml").write_text(
        tight.replace('checked_by = ""', 'checked_by = "R. Vale"'), encoding="utf-8"
    )
    said = json.loads(typed([*words, "--classes", "tight.toml", "--json"], capsys).out)["class"]
    assert said.startswith("B, of what was measured; not A: linearity ")
    assert said.endswith("checked by R. Vale: check against your copy")
    one = "load [Nm];reading [V]\n" + "".join(
        f"{t};{t / 4 + 1e-5 * (at % 3)}\n" for at, t in enumerate((0, 5, 8, 10, 5, 0))
    )
    Path("one.csv").write_text(one, encoding="utf-8")
    code, out, _ = typed(
        ["calibrate", "TR-7", *SIGN, "--readings", "one.csv", "--classes", str(CLASSES), "--json"], capsys
    )
    assert (code, "repeatability was not measured" in json.loads(out)["class"]) == (0, True)
    assert json.loads(out)["class"].startswith("none of the file; not A: ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('source = "x"\n', "class"),
        ('source = "x"\n[[class]]\nname = "A"\n', "class A limits nothing"),
        ('source = "x"\n[[class]]\nname = "A"\nlinearity_pct = -1\n', "linearity_pct"),
        ('schema = 2\nsource = "x"\n[[class]]\nname = "A"\nlinearity_pct = 1\n', "schema = 2; allowed: 1"),
        (None, "classes.toml cannot be read"),
    ],
)
def test_a_file_of_classes_that_is_none_is_refused_before_anything_is_kept(
    text: str | None, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    weights("weights.csv")
    if text is not None:
        Path("classes.toml").write_text(text, encoding="utf-8")
    words = ["calibrate", "TR-204", *SIGN, "--readings", "weights.csv", *LEVER, "--classes", "classes.toml"]
    code, _, err = typed(words, capsys)
    assert (code, said in err) == (2, True), err
    assert records() == ()


@pytest.mark.parametrize("answered", range(3))
def test_ctrl_c_in_the_opening_leaves_no_file_at_all_and_the_same_command_begins_again(
    answered: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(monkeypatch, OPENING[:answered])
    code, _, err = typed(GUIDED, capsys)
    assert (code != 0, "nothing was written; the same command begins again" in err) == (True, True)
    assert (Path("mine.csv").exists(), records()) == (False, ())
    asked = answer(monkeypatch, [*OPENING, read_off(0)])
    code, _, err = typed(GUIDED, capsys)
    assert code != 0
    assert len(asked) == 5
    assert "the same command goes on with the next reading" in " ".join(err.split())
    asked = answer(monkeypatch, [])
    out = typed(GUIDED, capsys).out
    assert "mine.csv has 1 readings; the next one follows" in " ".join(out.split())
    assert asked[0].endswith("Reading, V?")
