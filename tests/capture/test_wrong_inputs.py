"""What cannot be used is refused with its place and the remedy, and nothing is guessed."""

from pathlib import Path

import numpy as np
import pytest
from tests.capture.made import read_error, turning, written

from nightturn.capture.asked import Asked
from nightturn.capture.reading import traced
from nightturn.errors import TableError


def test_each_wrong_input_is_refused_with_its_place_and_the_remedy(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.3)
    volts = written(folder / "volts.csv", [("t (s)", time), ("CH1 (V)", torque / 4), ("pos", angle)])
    newton = written(folder / "newton.csv", [("t (s)", time), ("M (Nm)", torque)])
    coarse = written(folder / "coarse.csv", [("t (s)", np.round(time, 2)), ("M (Nm)", torque)])
    dead = written(
        folder / "dead.csv",
        [("t (s)", time), ("M (Nm)", torque * 0), ("z", torque * 0), ("sin", torque), ("cos", torque)],
    )
    empty = folder / "empty.csv"
    empty.write_text("", encoding="utf-8")
    said = {
        read_error(volts): "the torque is in V; give --factor, N·m per V, or --torque NAME:Nm",
        read_error(
            volts, factor=4.0
        ): "the unit of the angle is not known; give --angle NAME:deg, NAME:rad or NAME:turns, or --counts",
        read_error(
            volts, {"angle": "pos:counts"}, factor=4.0
        ): "an angle in counts need --counts, the counts of one turn",
        read_error(
            volts, {"angle": "pos:mV"}, factor=4.0
        ): "mV is no unit of an angle; give --angle NAME:deg",
        read_error(volts, {"torque": "1"}, factor=4.0): "no column is the time by name or unit; give --time",
        read_error(
            newton, factor=4.0
        ): "the torque is in N·m already; leave --factor out, or give --torque NAME:V",
        read_error(newton, {"torque": "M:s"}): "s is no unit of a torque; give --torque NAME:V",
        read_error(
            newton, {"torque": "M:V"}, factor=4000.0
        ): "times the rated torque; check --factor, --rated and the unit of the column",
        read_error(coarse): "coarse.csv, line 3: time does not move on: it was saved with too few digits",
        read_error(
            dead
        ): "the torque is the same in every row: the channel is dead, or this is another column",
        read_error(dead, {"index": "z"}): "the column of --index never changes; give another column",
        read_error(empty): "no text in it; save the capture again",
        read_error(
            folder / "absent.csv"
        ): "absent.csv cannot be read: No such file or directory; give the path of a CSV or Parquet file",
        read_error(newton, start_s=1e6): "no row of numbers is left; give another --from and --to",
        read_error(
            newton, {"time": "1"}, rate_hz=250.0
        ): "--rate and --time both say when a sample was; give one of them",
    }
    for found, wanted in said.items():
        assert wanted in found


def test_options_that_cannot_be_are_refused(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.3)
    volts = written(folder / "volts.csv", [("t (s)", time), ("CH1 (V)", torque / 4), ("pos", angle)])
    newton = written(folder / "newton.csv", [("t (s)", time), ("M (Nm)", torque)])
    said = {
        read_error(newton, rpm=-1.0): "--rpm −1: give a positive number",
        read_error(volts, factor=0.0): "--factor 0: give N·m per V, not zero",
        read_error(
            volts, factor=4.0, factor_u_pct=80.0
        ): "--factor-u 80: give the standard uncertainty in per cent, 0 to 5",
        read_error(newton, start_s=2.0, stop_s=1.0): "--from lies behind --to; give the earlier time first",
        read_error(
            volts, {"angle": "pos"}, rpm=10.0
        ): "--rpm takes the place of an angle; leave it out, or the column of the angle",
        read_error(volts, {"a": "1"}): "--a needs --b too",
    }
    for found, wanted in said.items():
        assert wanted in found


def test_what_pretends_to_be_an_angle_is_refused(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 1.1)
    sine = np.sin(np.radians(angle))
    same = written(folder / "same.csv", [("t (s)", time), ("M (Nm)", torque), ("sin", sine), ("cos", sine)])
    assert "sine and cosine" in read_error(same)
    part = slice(0, 500)
    quarter = written(
        folder / "quarter.csv",
        [
            ("t (s)", time[part]),
            ("M (Nm)", torque[part]),
            ("sin", sine[part]),
            ("cos", np.cos(np.radians(angle[part]))),
        ],
    )
    assert "of a period, so that their middles are not known; record a whole period or more" in read_error(
        quarter
    )
    a, b = ((np.floor(np.arange(len(time)) / 1.0 + at) % 2) * 5.0 for at in (0, 0))
    both = written(folder / "both.csv", [("t (s)", time), ("M (Nm)", torque), ("A", a), ("B", b)])
    assert "A and B change at once" in read_error(both, counts=360)


def test_a_capture_of_a_lever_needs_an_angle_and_one_look(folder: Path) -> None:
    time, angle, torque = turning((1,), 0.3)
    path = written(folder / "lever.csv", [("t (s)", time), ("M (Nm)", torque)])
    with pytest.raises(TableError, match="has no angle of an encoder; give --angle NAME:deg or NAME:counts"):
        traced(path, Asked(rated_nm=15.0), {})
    path = written(folder / "long.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)])
    assert len(traced(path, Asked(rated_nm=15.0), {}).time_s) == len(time)
    with pytest.raises(TableError, match="is empty or too long for one look; give --from and --to"):
        traced(path, Asked(rated_nm=15.0, start_s=1e6), {})
