"""A file gives the figures that it allows: right, in any dialect and unit, with what they rest on and what is lacking."""

import math
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.capture.made import (
    COGGING_NM,
    FRICTION_NM,
    RATE_HZ,
    RATED_NM,
    RPM,
    ZERO_NM,
    lines,
    read,
    read_error,
    turning,
    within,
    written,
)


def test_the_sums_of_the_trade_come_out(folder: Path) -> None:
    """4 N·m/V and 10 mV peak to peak are 0.040 N·m, 0.27 % of 15 N·m; a step of 55 mV is 0.110 N·m of friction, 0.73 %.

    Common practice, no source. Half of the step is the friction: forgetting that gives 1.47 %.
    """
    time = np.arange(2000) / 200
    ripple = written(
        folder / "pp.csv", [("t (s)", time), ("bridge (mV)", 7.0 + 5.0 * np.sign(np.sin(20 * time)))]
    )
    (line,) = (line for line in read(ripple, factor=4.0).lines if line.title == "ripple")
    assert line.at_most
    assert line.value_nm == pytest.approx(0.040, rel=1e-6)
    assert f"{100 * (line.value_nm or 0) / RATED_NM:.2f}" == "0.27"
    step = written(folder / "step.csv", [("t (s)", time), ("bridge (mV)", np.where(time < 5, -20.0, 35.0))])
    friction = lines(read(step, factor=4.0))["friction"]
    assert friction.value_nm == pytest.approx(0.110, rel=1e-6)
    assert f"{100 * (friction.value_nm or 0) / RATED_NM:.2f}" == "0.73"


def test_two_turns_each_way_give_cogging_friction_and_zero_and_say_what_is_missing(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 2.1)
    path = written(
        folder / "turns.csv", [("time [s]", time), ("bridge [mV]", torque * 250), ("shaft [deg]", angle)]
    )
    found = read(path, factor=4.0)
    by = lines(found)
    assert within(by["cogging"], 2 * COGGING_NM)
    assert within(by["friction"], FRICTION_NM)
    assert within(by["zero"], ZERO_NM)
    assert by["ripple"].value_nm is None
    assert any(each.startswith("No ripple under load: no torque was held.") for each in found.lacking)
    assert any("orders are found in the signal" in each for each in found.assumes)
    assert any(each.startswith("The ± of one reversal has noise") for each in found.assumes)
    assert found.curves.forward_nm is not None
    declared = read(path, factor=4.0, pole_pairs=16, slots=36)
    assert not any("orders are found" in each for each in declared.assumes)


def test_three_passes_and_a_hold_give_all_four_figures(folder: Path) -> None:
    time, angle, torque = turning((1, -1, 1, -1), 2.1, held_nm=5.0, rpm=12)
    path = written(folder / "hold.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (turns)", angle / 360)])
    found = read(path)
    by = lines(found)
    for name, truth in (
        ("ripple", 2 * COGGING_NM),
        ("cogging", 2 * COGGING_NM),
        ("friction", FRICTION_NM),
        ("zero", ZERO_NM),
    ):
        assert by[name].status == "ok", name
        assert within(by[name], truth, 3.0), name
    assert any(each.startswith("The torque held, 5 N·m, is read from the capture") for each in found.assumes)
    assert any(
        "--held says 3 N·m: --factor or a unit is wrong" in each for each in read(path, held_nm=3.0).assumes
    )


def test_turns_one_way_give_ripple_whatever_the_zero(folder: Path) -> None:
    time, angle, torque = turning((1,), 2.6)
    path = written(
        folder / "one.csv", [("t (s)", time), ("M (Nm)", torque + 1.0), ("pos (deg)", angle % 360)]
    )
    found = read(path)
    ripple = lines(found)["ripple"]
    assert within(ripple, 2 * COGGING_NM, 3.0)
    assert ripple.how == "2 turns, turning one way, without a known load"
    assert lines(read(path, held_nm=1.0))["ripple"].how == "2 turns, under load"
    for start in ("No cogging", "No friction", "No zero"):
        assert any(each.startswith(start) for each in found.lacking), start


def test_a_sector_gives_friction_over_its_angles_and_a_bound_of_the_rest(folder: Path) -> None:
    time, angle, torque = turning((1, -1, 1), 0.3, drift_nm_per_s=0.002)
    found = read(
        written(folder / "sector.csv", [("t (s)", time), ("M (mNm)", torque * 1000), ("pos (deg)", angle)])
    )
    friction = lines(found)["friction"]
    assert within(friction, FRICTION_NM)
    assert friction.how.startswith("half the step, 2 reversals, over 102 ° of angle")
    assert any(
        each.startswith("Friction and zero are of the angles that were turned both ways")
        for each in found.assumes
    )
    assert any("0.29 of a turn was turned, and orders need a whole one" in each for each in found.lacking)
    one = read(
        written(
            folder / "arc.csv", [("t (s)", time[:500]), ("M (Nm)", torque[:500]), ("pos (deg)", angle[:500])]
        )
    )
    assert lines(one)["ripple"].at_most
    assert any("because noise counts in: there is less than a turn." in each for each in one.lacking)


def test_without_an_angle_a_jump_of_torque_is_a_reversal_and_a_speed_makes_it_an_angle(folder: Path) -> None:
    time, _, torque = turning((1, -1), 2.1)
    path = written(folder / "bare.csv", [("t (s)", time), ("CH1 (V)", torque / 4)])
    bare = read(path, factor=4.0)
    assert within(lines(bare)["friction"], FRICTION_NM)
    assert any(each.startswith("Without an angle each jump between two levels") for each in bare.assumes)
    assert any("no angle. Record one beside the torque, or give --rpm" in each for each in bare.lacking)
    assert any("--rpm gives cogging and takes it out of the friction" in each for each in bare.lacking)
    found = read(path, factor=4.0, rpm=RPM)
    assert within(lines(found)["friction"], FRICTION_NM)
    cogging = lines(found)["cogging"].value_nm
    assert cogging == pytest.approx(2 * COGGING_NM, rel=0.05)
    assert any(
        each.startswith("Angle-locked figures assume constant 10 rpm wherever the torque")
        for each in found.assumes
    )


def test_a_change_of_load_is_not_believed_as_friction(folder: Path) -> None:
    time = np.arange(2000) / 200
    torque = np.where(time < 5, 0.0, 5.0) + np.random.default_rng(1).normal(0, 0.01, 2000)
    found = read(written(folder / "load.csv", [("t (s)", time), ("M (Nm)", torque)]))
    assert lines(found)["friction"].status == "not judged"
    assert any("17 % of the rated torque is much for friction" in each for each in found.assumes)


def test_a_slow_drift_and_a_sine_are_no_reversal(folder: Path) -> None:
    time = np.arange(4000) / 200
    for name, torque in (("ramp", 0.01 * time), ("sine", 0.1 * np.sin(time))):
        found = read(written(folder / f"{name}.csv", [("t (s)", time), ("M (Nm)", torque)]))
        assert lines(found)["friction"].value_nm is None, name
        assert any(each.startswith("No friction: there is no reversal in it.") for each in found.lacking)


def test_two_passes_at_other_speeds_or_loads_give_no_friction(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.4, held_nm=5.0)
    loaded = read(written(folder / "loaded.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)]))
    assert lines(loaded)["friction"].status == "not judged"
    fast = turning((-1,), 0.4, rpm=30)
    joined = [
        np.concatenate(each) for each in zip((time[:800], angle[:800], torque[:800]), fast, strict=True)
    ]
    joined[0] = np.arange(len(joined[0])) / RATE_HZ
    joined[1][800:] += angle[799]
    unlike = read(
        written(
            folder / "unlike.csv", [("t (s)", joined[0]), ("M (Nm)", joined[2]), ("pos (deg)", joined[1])]
        )
    )
    assert lines(unlike)["friction"].value_nm is None


ANGLES = ("counts", "degrees", "a and b", "sine and cosine")


@pytest.mark.parametrize("how", ANGLES)
def test_every_way_to_say_an_angle_gives_the_friction(folder: Path, how: str) -> None:
    time, angle, torque = turning((1, -1), 0.4 if how != "sine and cosine" else 1.1, rpm=4)
    radians = np.radians(angle)
    columns = {
        "counts": [("enc (counts)", np.rint(angle / 360 * 4096) % 4096)],
        "degrees": [("pos (deg)", (angle + 350) % 360)],
        "a and b": [
            ("A", (np.sin(90 * radians + 0.1) > 0) * 5.0),
            ("B", (np.cos(90 * radians + 0.1) < 0) * 5.0),
        ],
        "sine and cosine": [("sin", 2 + np.sin(radians)), ("cos", 1 + 1.01 * np.cos(radians))],
    }[how]
    counts = {"counts": 4096, "a and b": 360}.get(how)
    path = written(folder / f"{ANGLES.index(how)}.csv", [("t (s)", time), ("M (Nm)", torque), *columns])
    found = read(path, counts=counts)
    assert within(lines(found)["friction"], FRICTION_NM), lines(found)
    assert found.curves.turned_s == pytest.approx([time[-1] / 2], rel=0.02)


@pytest.mark.parametrize("what", ["index", "sine"])
def test_a_mark_once_a_turn_gives_ripple_and_says_what_it_assumes(folder: Path, what: str) -> None:
    time, angle, torque = turning((1,), 3.7)
    signal = (
        np.where((angle + 200) % 360 < 6, 4.0, 0.2)
        if what == "index"
        else 2.5 + np.sin(np.radians(angle - 40))
    )
    path = written(folder / f"{what}.csv", [("t (s)", time), ("M (Nm)", torque), (what, signal)])
    found = read(path, columns={what: what})
    assert within(lines(found)["ripple"], 2 * COGGING_NM, 3.0)
    assert any(
        each.startswith("Angle-locked figures assume a constant speed between") for each in found.assumes
    )
    few = read_error(
        written(
            folder / "few.csv", [("t (s)", time[:1400]), ("M (Nm)", torque[:1400]), (what, signal[:1400])]
        ),
        {what: what},
    )
    assert "two are needed to say how fast the shaft turned: record more turns, or give --rpm" in few


def test_marks_at_uneven_times_say_that_the_speed_changed(folder: Path) -> None:
    time, angle, torque = turning((1,), 3.7)
    slower = time * (1 + 0.01 * time)
    pulse = np.where((angle + 100) % 360 < 6, 4.0, 0.2)
    path = written(folder / "uneven.csv", [("t (s)", slower), ("M (Nm)", torque), ("index", pulse)])
    found = read(path, columns={"index": "index"})
    assert any(
        "where the speed changed or the shaft turned back, angles are wrong" in each for each in found.assumes
    )


def test_slow_samples_give_friction_and_say_why_no_orders(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 1.2, rate_hz=40, rpm=2)
    found = read(written(folder / "slow.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)]))
    assert within(lines(found)["friction"], FRICTION_NM)
    assert any(
        "Angle-locked figures need 100 samples a second, and these are 40" in each for each in found.assumes
    )


def test_torque_along_the_turning_is_taken_as_the_drives(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 2.1)
    found = read(written(folder / "drive.csv", [("t (s)", time), ("M (Nm)", -torque), ("pos (deg)", angle)]))
    assert within(lines(found)["friction"], FRICTION_NM)
    assert any(
        each.startswith("Torque rises with the turning here: it is taken as the drive's")
        for each in found.assumes
    )


def test_a_factor_that_is_known_enters_every_interval(folder: Path) -> None:
    time, _, torque = turning((1, -1), 0.9)
    path = written(folder / "factor.csv", [("t (s)", time), ("CH1 (V)", torque / 4)])
    bare, known = (lines(read(path, factor=4.0, factor_u_pct=u))["friction"] for u in (None, 0.5))
    assert bare.value_nm is not None
    assert bare.half_nm is not None
    assert known.half_nm == pytest.approx(
        math.hypot(bare.half_nm, 1.959964 * 0.005 * bare.value_nm), rel=1e-4
    )
    assert "the 0.5 % (standard) of the factor" in read(path, factor=4.0, factor_u_pct=0.5).interval_is
    assert "repeatability" in read(path, factor=4.0).interval_is


def test_what_nobody_said_is_said(folder: Path) -> None:
    time, _, torque = turning((1, -1), 0.9)
    path = written(folder / "plain.csv", [("t", time), ("bridge", torque / 4)])
    found = read(path, factor=4.0)
    assert any(
        each.startswith("The torque column names no unit: V are assumed, times 4 N·m/V")
        for each in found.assumes
    )
    assert any(
        each.startswith("The time column names no unit: seconds are assumed") for each in found.assumes
    )


def test_missing_values_are_left_out_and_counted(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.4)
    torque[100:140] = np.nan
    found = read(written(folder / "holes.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)]))
    assert found.read[-1] == "40 rows with a missing value are left out"
    assert within(lines(found)["friction"], FRICTION_NM)


def test_parquet_gives_what_text_gives(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.4)
    stamps = pa.array((time * 1e9).astype(np.int64), pa.timestamp("ns"))
    path = folder / "capture.parquet"
    for name, clock in (("t (s)", pa.array(time)), ("time", stamps)):
        pq.write_table(
            pa.table({name: clock, "M (Nm)": pa.array(torque), "pos (deg)": pa.array(angle)}), path
        )
        text = written(
            folder / "as_text.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)], digits=17
        )
        one, other = (lines(read(each))["friction"].value_nm for each in (path, text))
        assert one == pytest.approx(other, rel=1e-9)
    path.write_bytes(path.read_bytes()[:100])
    assert "is no whole Parquet file" in read_error(path)
    pq.write_table(
        pa.table({"t (s)": pa.array(time), "M (Nm)": pa.array([str(each) for each in torque])}), path
    )
    assert "values of type object; save numbers" in read_error(path)
