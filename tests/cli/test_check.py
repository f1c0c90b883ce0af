"""`check`: the outlook for people and machines, and a refusal of what cannot work."""

import json
import shutil
import sys
from pathlib import Path

import pytest
from tests.cli.terminal import pairs, too_wide, typed
from tests.settings.bench_folder import RIG, VARIANT, spoilt, write_bench

from nightturn.bench.worlds import RealClock
from nightturn.storage.files import RealFiles

EXAMPLE = Path(__file__).parents[2] / "examples" / "bench.toml"


def test_the_example_checks_clean(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = typed(["check", str(EXAMPLE)], capsys)
    assert (code, err) == (0, "")
    assert out.startswith("pan-a1 with pan15\n")
    assert "warning" not in out
    rows = dict(pairs(out))
    assert rows["cycle"] == "408 s"
    assert rows["night of 8 h"] == "70 cycles, 3500 strokes"
    assert rows["net travel"] == "+0.0° after two cycles"
    assert rows["orders in common"] == "72"
    assert rows["exercise"] == "50 strokes of 270° and 4.4 s, 3.2 s of it at 12 rpm"


def test_the_example_of_a_soak_checks_clean_and_says_what_comes_beside_the_cycles(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, out, err = typed(["check", str(EXAMPLE.with_name("soak.toml"))], capsys)
    assert (code, err) == (0, "")
    assert "warning" not in out
    rows = dict(pairs(out))
    assert rows["night of 8 h"] == "10 cycles, 500 strokes"  # then it waits for a person
    assert rows["soak"].startswith("2 times, first before cycle 1: ")
    assert rows["warm-up"].endswith(
        "until bearing changes by less than 1 K/h over 20 min; without that it goes on"
    )
    assert (
        rows["park"]
        == "at 90° behind every 10 cycles, 3 times in all; each time it waits for a person's `go`"
    )
    assert rows["exercise"].endswith("at 12 rpm, holding 4 N·m")


def test_every_limit_is_printed_with_its_unit_and_its_condition(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(["check", str(EXAMPLE)], capsys)
    rows = dict(pairs(out))
    assert rows["accept friction_nm"] == "at most 150 mN·m, at 3 rpm, 18 to 30 °C"
    assert rows["accept ripple_pct_rated"] == "at most 0.6 % (90 mN·m), at 3 rpm, holding 5 N·m"
    assert rows["protect torque_nm"] == "at most 18 N·m in any sample, otherwise the run ends"
    assert rows["protect friction_nm"] == "at most 400 mN·m in a finished cycle, otherwise the run ends"
    assert [value for name, value in pairs(out) if name in {"accept", "protect"}] == []


def test_a_rig_and_a_variant_without_limits_say_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = VARIANT.partition("[accept]")[0]
    _, out, _ = typed(["check", str(write_bench(tmp_path, variant=bare))], capsys)
    assert ("accept", "no limit: no cycle will be judged") in pairs(out)
    assert ("protect", "no limit") in pairs(out)  # pan-b2 has none


def test_the_planned_end_is_by_the_clocks_of_the_bench(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RealClock, "utc_ns", lambda _: 1_764_104_400 * 10**9)  # 2025-11-25 21:00 UTC
    zone = ["--set", 'bench.timezone="Asia/Kathmandu"', "--set", "fixture.pan-a1.plan.cycles=75"]
    _, out, _ = typed(["check", str(EXAMPLE), *zone], capsys)
    # 75 x 407.76 s
    assert dict(pairs(out))["planned end"] == (
        "75 cycles take 8 h 30 min without a pause; begun now they end 2025-11-26 11:14 +05:45"
    )


def test_a_plan_of_ages_has_no_date(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(
        ["check", str(EXAMPLE), "--set", "fixture.pan-a1.plan.cycles=9000000000000000000"], capsys
    )
    assert "begun now" not in dict(pairs(out))["planned end"]


@pytest.mark.parametrize(
    ("port", "words"),
    [
        (
            "virtual:pan16",
            "no virtual product is called 'pan16' (did you mean 'pan15'?); allowed: pan15, pan20, pan2",
        ),
        ("virtual:pan15?sead=7", "unknown key 'sead' (did you mean 'seed'?)"),
    ],
)
def test_a_virtual_fixture_that_does_not_exist_is_refused_with_those_that_do(
    port: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = typed(["check", str(EXAMPLE), "--set", f'fixture.pan-a1.port="{port}"'], capsys)
    assert code == 2
    assert err.startswith(f'nightturn: {EXAMPLE}, [fixture] "pan-a1", port: "{port}": {words}')
    assert len(err.splitlines()) == 1


def test_a_mistake_in_the_variant_names_the_variants_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path, variant=spoilt(VARIANT, "max = 0.150", "max = 150"))
    code, out, err = typed(["check", str(path)], capsys)
    warnings = [value for name, value in pairs(out) if name == "warning"]
    assert (code, err) == (0, "")
    assert warnings[0].startswith(f"{tmp_path}/variants/pan15.toml, [accept.friction_nm], max: 150 N·m is ")


@pytest.mark.parametrize("change", ["resonance_hz=92", 'guard="none"', "drive.pole_pairs=8"])
@pytest.mark.parametrize("terminal", [True, False])
def test_what_check_prints_fits_eighty_columns(
    change: str, terminal: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: terminal)
    _, out, _ = typed(["check", str(EXAMPLE), "--set", f"fixture.pan-a1.{change}"], capsys)
    assert len(out.splitlines()) > 20
    assert too_wide(out) == []


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
    row = dict(pairs(out))["shunt check"]
    assert code == 0
    assert "at start and end, if the device has the relay; 4.6 s or a little more each" in row
    assert words in row


def test_a_shunt_check_that_is_left_out_is_told_as_off(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(["check", str(EXAMPLE), "--set", "fixture.pan-a1.shunt={ check = false }"], capsys)
    assert dict(pairs(out))["shunt check"] == "off"


def test_what_is_declared_as_not_wired_is_repeated(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = typed(["check", str(EXAMPLE)], capsys)
    assert "not wired" not in out
    changes = [word for key in ("guard", "lamp") for word in ("--set", f'fixture.pan-a1.{key}="none"')]
    code, out, _ = typed(["check", str(EXAMPLE), *changes], capsys)
    assert code == 0
    assert dict(pairs(out))["not wired"] == "bench.toml says that there is no guard, no warning lamp"
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
    assert "is exceeded by 818.7°" in err
    assert "Traceback" not in err
    code, out, _ = typed(["check", str(EXAMPLE), "--set", change, "--json"], capsys)
    assert code == 2
    assert "is exceeded by 818.7°" in json.loads(out)[0]["outlook"]["errors"][0]


def test_warnings_do_not_fail_the_check(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = typed(["check", str(EXAMPLE), "--set", "fixture.pan-a1.resonance_hz=28"], capsys)
    assert code == 0
    assert "warning" in out
    assert "for order 288 below 2.91" in " ".join(out.split())


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


def with_record(folder: Path, line: str) -> Path:
    """The example with one calibration record of its transducer."""
    shutil.copytree(EXAMPLE.parent, folder / "rig")
    path = folder / "rig" / "nights" / "calibrations" / "TR-204.jsonl"
    path.write_text(line, encoding="utf-8")
    return folder / "rig" / "bench.toml"


def test_the_example_has_a_certificate_and_check_says_what_its_intervals_will_be(
    capsys: pytest.CaptureFixture[str],
) -> None:
    out = typed(["check", str(EXAMPLE)], capsys).out
    rows = dict(pairs(out))
    assert rows["intervals"] == "± is of the whole budget: certificate QL 26/TR-204"
    assert rows["decidable friction_nm"] == (
        "open within 0.42 mN·m of 150 mN·m, however many cycles; narrowest limit 0.34 mN·m; noise comes on top"
    )
    (told,) = json.loads(typed(["check", str(EXAMPLE), "--json"], capsys).out)
    assert told["interval"] == "budget"


RIG_RECORD = (
    '{"id": "R-1", "fixture": "pan-a1", "how": "arbor run", "transducer": "TR-204", "reference": "index", "speed_rpm": 3.0, '
    '"orders": [{"order": 1, "amplitude_nm": 0.004, "phase_rad": 0.2, "u_nm": 0.0001}], "valid_from": "2026-01-12T00:00:00Z"}'
)


def with_rig_record(folder: Path, line: str) -> Path:
    """The example with one rig record of its fixture."""
    shutil.copytree(EXAMPLE.parent, folder / "rig")
    path = folder / "rig" / "nights" / "rigs" / "pan-a1.jsonl"
    path.parent.mkdir(parents=True)
    path.write_text(line, encoding="utf-8")
    return folder / "rig" / "bench.toml"


@pytest.mark.parametrize(
    ("line", "kind", "says"),
    [
        (RIG_RECORD, "net", "net by R-1 (arbor run at 3 rpm, valid from 2026-01-12): 1 order"),
        (
            RIG_RECORD.replace('"index"', '"absolute"'),
            "gross",
            "gross: Rig record R-1 refers to an encoder with reference absolute, the rig's is index.",
        ),
        (RIG_RECORD.replace("2026", "2126"), "gross", "gross: no rig record is valid yet"),
        (None, "gross", "gross: no rig record in rigs/pan-a1.jsonl"),
    ],
)
def test_check_says_whether_figures_will_be_net_of_the_rig(
    line: str | None, kind: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = EXAMPLE if line is None else with_rig_record(tmp_path, line)
    code, out, _ = typed(["check", str(bench)], capsys)
    assert code == 0
    assert dict(pairs(out))["of the rig"] == says
    assert "so no reference check can be fresh" in dict(pairs(out))["release"]
    (told,) = json.loads(typed(["check", str(bench), "--json"], capsys).out)
    assert told["of_rig"] == kind
    assert len(told["release_lacks"]) >= 2


def test_check_refuses_a_rig_record_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = RIG_RECORD.replace('"speed_rpm": 3.0', '"speed_rpm": 0')
    code, _, err = typed(["check", str(with_rig_record(tmp_path, bad))], capsys)
    assert code == 2
    assert "pan-a1.jsonl, line 1: Expected `float` > 0.0 - at `$.speed_rpm`" in err


RECORD = (
    '{"id": "TR-204/2", "transducer": "TR-204", "factor_nm_per_v": 4.0, "valid_from": "2026-01-12T00:00:00Z"'
)


def test_a_record_without_certificate_data_gives_repeatability(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed(["check", str(with_record(tmp_path, RECORD + "}\n"))], capsys)
    assert code == 0
    assert dict(pairs(out))["intervals"] == (
        "± is repeatability: no uncertainty of the factor is in calibration record TR-204/2"
    )


@pytest.mark.parametrize(
    ("rest", "says"),
    [
        (
            ', "uncertainty": {"factor_rel": 0.05}}',
            "gives uncertainty.factor_rel = 0.05, which means 5 %, and a torque channel is better than 2 %",
        ),
        (', "uncertainty": {"hysteresis_rel_fs": 0.0003}}', "add it in N·m"),
        (', "uncertainty": {"factor": 0.0003}}', "unknown field `factor`"),
    ],
)
def test_a_record_that_cannot_be_meant_is_refused_and_left_where_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rest: str, says: str
) -> None:
    bench = with_record(tmp_path, RECORD + rest + "\n")
    code, _, err = typed(["check", str(bench)], capsys)
    assert code == 2
    assert says in err
    assert "TR-204.jsonl, line 1" in err
    assert sorted(path.name for path in (bench.parent / "nights" / "calibrations").iterdir()) == [
        "TR-204.jsonl"
    ]


def test_a_disk_with_too_little_room_is_said_before_the_night(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RealFiles, "room", lambda _: 1_200_000_000)
    code, out, _ = typed(["check", str(EXAMPLE)], capsys)
    assert code == 0
    assert dict(pairs(out))["disk"] == "1.2 GB free; nothing begins to turn with less than 1.5 GB"
    _, out, _ = typed(["check", str(EXAMPLE), "--json"], capsys)
    assert "1.2 GB free" in json.loads(out)[0]["disk"]


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            'listen = "0.0.0.0:8742"',
            "[web] listen: 0.0.0.0 can be reached by others, and there is no certificate",
        ),
        ('listen = "8742"', "[web] listen: "),
        ('cert = "bench.pem"', "[web] cert, key: one is there without the other"),
        ('cert = "bench.pem"\nkey = "bench.key"', "bench.pem with "),
    ],
)
def test_a_page_that_serve_would_go_without_is_refused_before_the_night(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], table: str, said: str
) -> None:
    bench = write_bench(tmp_path)
    bench.write_text(f"{bench.read_text()}\n[web]\n{table}\n")
    before = sorted(tmp_path.rglob("*"))
    code, _, err = typed(["check", str(bench)], capsys)
    assert code == 2
    assert said in err
    assert str(bench) in err
    assert sorted(tmp_path.rglob("*")) == before
