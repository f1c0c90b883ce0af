"""`check`: the outlook for people and machines, and a refusal of what cannot work."""

import json
import sys
from pathlib import Path

import pytest
from tests.cli.terminal import typed
from tests.settings.bench_folder import RIG, VARIANT, spoilt, write_bench

EXAMPLE = Path(__file__).parents[2] / "examples" / "bench.toml"


def test_the_example_checks_clean(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["check", str(EXAMPLE)], capsys)
    assert (code, err) == (0, "")
    assert out.startswith("pan-a1 with pan15\n")
    assert "warning" not in out
    rows = dict(line.strip().split("  ", 1) for line in out.splitlines()[1:])
    assert rows["cycle"].strip() == "408 s"
    assert rows["night of 8 h"].strip() == "70 cycles, 3500 strokes"
    assert rows["net travel"].strip() == "+0.0° after two cycles"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            "shunt.tolerance_pct=0.5",
            "expects 8 N·m within 0.5 %, a change within 0.1 %; otherwise an event says so and the run goes on",
        ),
        ('shunt.on_exceed="stop"', "otherwise no cycle begins"),
        ("shunt={ resistance_ohm = 109200 }", "expects 0.8 mV/V within 1 %"),
        ("shunt={}", "no step expected (resistance_ohm or step_nm in [fixture.shunt])"),
    ],
)
def test_the_shunt_check_of_a_run_is_told(
    change: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed(["check", str(EXAMPLE), "--set", f"fixture.pan-a1.{change}"], capsys)
    (row,) = (line for line in out.splitlines() if line.strip().startswith("shunt check"))
    assert code == 0
    assert "at start and end, if the device has the relay; 4.6 s or a little more each" in row
    assert words in row


def test_a_shunt_check_that_is_left_out_is_told_as_off(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(["check", str(EXAMPLE), "--set", "fixture.pan-a1.shunt={ check = false }"], capsys)
    (row,) = (line for line in out.splitlines() if line.strip().startswith("shunt check"))
    assert row.split() == ["shunt", "check", "off"]


def test_what_is_declared_as_not_wired_is_repeated(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(["check", str(EXAMPLE)], capsys)
    assert "not wired" not in out
    changes = [word for key in ("guard", "lamp") for word in ("--set", f'fixture.pan-a1.{key}="none"')]
    code, out, _ = typed(["check", str(EXAMPLE), *changes], capsys)
    (row,) = (line for line in out.splitlines() if line.strip().startswith("not wired"))
    assert (code, row.strip().split("  ", 1)[1].strip()) == (
        0,
        "bench.toml says that there is no guard, no warning lamp",
    )
    _, out, _ = typed(["check", str(EXAMPLE), *changes, "--json"], capsys)
    assert json.loads(out)[0]["not_wired"] == "bench.toml says that there is no guard, no warning lamp"


def test_json_holds_the_outlook_in_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = typed(["check", str(EXAMPLE), "--json"], capsys)
    (entry,) = json.loads(out)
    assert code == 0
    assert (entry["fixture"], entry["variant"]) == ("pan-a1", "pan15")
    assert entry["outlook"]["cycles_per_night"] == 70
    assert entry["outlook"]["errors"] == []


def test_a_plan_that_cannot_work_shows_the_outlook_and_ends_with_two(
    capsys: pytest.CaptureFixture[str],
) -> None:
    change = "fixture.pan-a1.travel.range_deg=[-1000, 1000]"
    code, out, err = typed(["check", str(EXAMPLE), "--set", change], capsys)
    assert code == 2
    assert "0° to 1819° of [-1000, 1000]" in out
    assert err.startswith(f'nightturn: {EXAMPLE}, [fixture.travel] of fixture "pan-a1", range_deg: ')
    assert "is left by 818.7°" in err
    assert "Traceback" not in err
    code, out, _ = typed(["check", str(EXAMPLE), "--set", change, "--json"], capsys)
    assert code == 2
    assert "is left by 818.7°" in json.loads(out)[0]["outlook"]["errors"][0]


def test_warnings_do_not_fail_the_check(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = typed(["check", str(EXAMPLE), "--set", "fixture.pan-a1.resonance_hz=92"], capsys)
    assert code == 0
    assert "warning" in out
    assert "for 1 % turn at 1.91 rpm or less" in out


def test_every_fixture_is_held_against_every_variant_beside_the_rig(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path)
    (tmp_path / "variants" / "pan20.toml").write_text(spoilt(VARIANT, "15.0", "20.0"), encoding="utf-8")
    _, out, _ = typed(["check", str(path)], capsys)
    titles = [line for line in out.splitlines() if not line.startswith(" ")]
    assert titles == ["pan-a1 with pan15", "pan-a1 with pan20", "pan-b2 with pan15", "pan-b2 with pan20"]
    _, out, _ = typed(["check", str(path), "--variant", "pan20"], capsys)
    assert [line for line in out.splitlines() if not line.startswith(" ")] == [
        "pan-a1 with pan20",
        "pan-b2 with pan20",
    ]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--variant", "pan51"], 'no variant "pan51"; did you mean "pan15"?; allowed: pan15'),
        (["--variant", "../bench"], '"../bench" is not a variant\'s name'),
        (["--set", "fixture.pan-a1.rate=1"], 'did you mean "rate_hz"?'),
        (
            ["--set", "fixture.pan-a1.protect.friction={ max = 1 }"],
            'unknown limit "friction"; did you mean "friction_nm"?',
        ),
    ],
)
def test_a_mistake_on_the_command_line_is_one_line_and_ends_with_two(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = typed(["check", str(EXAMPLE), *arguments], capsys)
    assert code == 2
    assert message in err
    assert len(err.splitlines()) == 1


def test_a_transducer_without_factor_and_record_fails_the_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path, spoilt(RIG, "factor_nm_per_v = 4.0", ""))
    code, _, err = typed(["check", str(path)], capsys)
    assert code == 2
    assert 'transducer "TR-204" has no calibration record' in err


def test_a_terminal_gets_a_drawn_table_with_the_same_words(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    code, out, _ = typed(["check", str(EXAMPLE)], capsys)
    assert code == 0
    assert "pan-a1 with pan15" in out
    assert "70 cycles, 3500 strokes" in out
