"""`refcheck` with a lever, an arbor and a unit that was turned: what is kept, what is refused, and what a release then says."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tests.cli.terminal import sentences, too_wide, typed
from tests.settings.bench_folder import write_bench

from nightturn.calibration.reference_checks import parse_checks

ARM_M, MASS_KG, GRAVITY, FACTOR = 0.5, 2.0, 9.8125, 4.0
LEVEL, DOWN = 30.0, 120.0


def capture(path: Path, *, rpm: float = 1.8, factor: float = 1.0) -> Path:
    """A lever that was turned a little more than once round each way, as volts over degrees."""
    rng, rate = np.random.default_rng(1), 25.0
    n = int(375 / (rpm * 6) * rate)
    angle = np.concatenate((np.linspace(-5, 370, n), np.linspace(370, -5, n)))
    way = np.repeat((1.0, -1.0), n)
    weight = MASS_KG * GRAVITY * ARM_M * (1 - 1.2 / 8000)
    torque = factor * weight * np.cos(np.radians(angle - LEVEL)) - 0.06 * way + rng.normal(0, 0.01, 2 * n)
    rows = [
        f"{at / rate:.3f};{t / FACTOR:.6f};{a:.4f}"
        for at, (t, a) in enumerate(zip(torque, angle, strict=True))
    ]
    path.write_text("time_s;torque_V;angle_deg\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def command(bench: Path, file: Path, *more: str, **changes: Any) -> list[str]:
    words = ["refcheck", str(bench), "--fixture", "pan-a1", "--lever", str(file), *more]
    values = {
        "by": "R. Vale",
        "mass": MASS_KG,
        "arm": ARM_M,
        "arm-u": 1e-4,
        "gravity": GRAVITY,
        "level": LEVEL,
        "down": DOWN,
    }
    for name, value in {**values, **changes}.items():
        words += [f"--{name}", str(value)] if value is not None else []
    return words  # fmt: skip


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    path = write_bench(tmp_path)
    serial = next(line.split('"')[1] for line in path.read_text().splitlines() if line.startswith("serial"))
    made = [
        "calibrate",
        serial,
        "--data",
        str(tmp_path / "nights"),
        "--by",
        "R. Vale",
        "--factor",
        str(FACTOR),
    ]
    assert typed([*made, "--states", "factor_rel=0.0005/2"], capsys)[0] == 0
    return path


def checks(bench: Path) -> Any:
    path = bench.parent / "nights" / "refchecks" / "pan-a1.jsonl"
    return parse_checks(path.read_text(encoding="utf-8"), where="here") if path.exists() else ()


def test_a_lever_proves_a_rig_and_the_caution_comes_first(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = typed(command(bench, capture(tmp_path / "lever.csv")), capsys)
    assert (code, err, too_wide(out)) == (0, "", [])
    assert sentences(out)[0].startswith("Caution: a mass on a turning lever strikes whoever is near")
    assert "the lever proves the rig" in out
    (check,) = checks(bench)
    assert (check.passed, check.by, check.said) == (True, "R. Vale", ())


def test_a_factor_that_is_off_is_found_and_kept_as_not_passed(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = typed(command(bench, capture(tmp_path / "lever.csv", factor=1.007), "--json"), capsys)
    assert code == 1
    found = json.loads(out)
    assert {each["what"] for each in found["findings"] if each["state"] != "good"} == {"factor"}
    (check,) = checks(bench)
    assert not check.passed
    assert check.said[0].startswith("factor bad: ")
    mount = ["mount", str(bench), "pan-a1", "--unit", "Q-1", "--variant", "pan15", "--operator", "R. Vale"]
    code, out, _ = typed([*mount, "--travel-zero", "--purpose", "release", "--approve", "--json"], capsys)
    assert code == 0
    said = json.loads(out)
    assert said["card"]["purpose"] == "release"
    assert said["approved"]["by"] == "R. Vale"
    assert [each.partition(",")[0] for each in said["engineering_because"]] == [
        "[fixture.refcheck] every is not in the rig file"
    ]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"by": None, "level": None}, "--by and --level not given"),
        ({"mass": -1}, "is no mass to hang"),
        ({"allow": 0}, "decides nothing"),
        ({"gravity": None}, "give --latitude with --height, or --gravity"),
    ],
)
def test_what_is_not_known_of_the_lever_is_asked_for_and_nothing_is_kept(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], changes: dict[str, Any], said: str
) -> None:
    code, _, err = typed(command(bench, tmp_path / "lever.csv", **changes), capsys)
    assert code == 2
    assert said in err
    assert checks(bench) == ()


def test_a_lever_that_was_turned_too_fast_is_refused(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = typed(command(bench, capture(tmp_path / "lever.csv", rpm=6.0)), capsys)
    assert code != 0
    assert "at most 2 rpm" in err
    assert checks(bench) == ()


def test_one_way_to_check_is_taken_at_a_time(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for more in (["--unit", "REF-1"], ["--arbor"]):
        code, _, err = typed(command(bench, tmp_path / "lever.csv", *more), capsys)
        assert code == 2
        assert "2 ways to check are given; allowed: one of --unit, --lever, --arbor and --reindex" in err
    rig = ["refcheck", str(bench), "--fixture", "pan-a1"]
    code, _, err = typed([*rig, "--reindex", "37", "--run", "one"], capsys)
    assert code != 0
    assert "give --run once more than --reindex" in err
    code, _, err = typed([*rig, "--arbor", "--run", "20261128T000000Z-0000"], capsys)
    assert code != 0
