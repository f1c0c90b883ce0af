"""Any dialect gives the same figure, and a file of any length takes the same memory."""

import itertools
import math
import subprocess
import sys
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.capture.made import FRICTION_NM, lines, read, turning, within, written

TIME, ANGLE, TORQUE = turning((1, -1), 0.35)
UNITS = {
    "time": (("s", 1.0), ("ms", 1e3), ("µs", 1e6)),
    "angle": (("deg", 1.0), ("rad", math.pi / 180), ("turns", 1 / 360)),
    "torque": (("Nm", 1.0), ("mNm", 1e3), ("V", 0.25), ("mV", 250.0), ("mV/V", 0.25)),
}
EXPECTED: dict[str, float] = {}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    order=st.permutations(["time", "angle", "torque"]),
    units=st.tuples(*(st.sampled_from(UNITS[each]) for each in UNITS)),
    form=st.sampled_from(
        [each for each in itertools.product((";", ",", "\t", " ", "|"), (".", ",")) if each != (",", ",")]
    ),
    above=st.sampled_from(["", "Bench: basement\nOperator: R. Vale\n\n", "Rate 250\n"]),
)
def test_any_order_of_columns_any_unit_and_any_decimal_sign_give_the_same_figure(
    tmp_path: Path, order: list[str], units: tuple[tuple[str, float], ...], form: tuple[str, str], above: str
) -> None:
    of = dict(zip(UNITS, units, strict=True))
    values = {"time": TIME, "angle": ANGLE, "torque": TORQUE}
    columns = [(f"{role}[{of[role][0]}]", values[role] * of[role][1]) for role in order]
    path = written(tmp_path / "any.csv", columns, delimiter=form[0], decimal=form[1], digits=12, above=above)
    found = lines(read(path, factor=None if of["torque"][0].endswith("Nm") else 4.0))["friction"]
    assert found.value_nm is not None
    first = EXPECTED.setdefault("friction", found.value_nm)
    # A sample at the very edge of a sector falls on either side of it, as the last digit of the unit has it.
    assert found.value_nm == pytest.approx(first, abs=0.1 * (found.half_nm or 0.0))
    assert within(found, FRICTION_NM)


def test_more_rows_than_are_kept_are_averaged_and_give_the_same(folder: Path) -> None:
    time, angle, torque = turning((1, -1), 0.9, rate_hz=4000)
    path = written(folder / "many.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)])
    whole, fewer = read(path), read(path, kept_max=6000)
    assert any("averaged by 7 to 571.4 samples a second" in each for each in fewer.read)
    assert len(fewer.curves.time_s) < 7500
    one, other = lines(whole)["friction"], lines(fewer)["friction"]
    assert one.value_nm == pytest.approx(other.value_nm, abs=0.5 * (one.half_nm or 0))


def test_a_capture_that_averaging_cannot_shorten_is_taken_in_parts(folder: Path) -> None:
    time, angle, torque = turning((1, -1) * 6, 1.1)
    path = written(folder / "parts.csv", [("t (s)", time), ("M (Nm)", torque), ("pos (deg)", angle)])
    whole = read(path)
    with mock.patch("nightturn.capture.source.PIECE_BYTES", 1 << 14):
        parts = read(path, kept_max=4000)
    assert "taken in 4 parts, and each figure is their mean" in parts.read
    assert parts.read[0] == whole.read[0]
    for name in ("cogging", "friction", "zero"):
        one, other = lines(whole)[name], lines(parts)[name]
        assert one.value_nm == pytest.approx(
            other.value_nm, abs=3 * max(one.half_nm or 0, other.half_nm or 0)
        ), name


def big(path: Path, megabytes: int) -> None:
    """Turns forth and back, over and over, at 4 kHz."""
    _, angle, torque = turning((1, -1), 2.1, rate_hz=4000)
    block = "".join(
        f"{one:.9f};{other:.7f}\n" for one, other in zip((torque / 4).tolist(), angle.tolist(), strict=True)
    )
    with path.open("w", encoding="utf-8") as file:
        file.write("bridge (V);angle (deg)\n")
        for _ in range(megabytes * 1_000_000 // len(block) + 1):
            file.write(block)


MEASURED = """
import resource, sys
from pathlib import Path
from nightturn.capture.asked import Asked
from nightturn.capture.reading import capture
found = capture(Path(sys.argv[1]), Asked(rated_nm=15.0, factor=4.0, rate_hz=4000.0), kept_max=int(sys.argv[2]))
print(found.lines[2].value_nm, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
"""


def peak_mb(path: Path, kept_max: int) -> float:
    """The most memory that a process took for a file, MB, once its friction is right."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(path), str(kept_max)], capture_output=True, text=True, check=True
    )
    friction, peak = (float(each) for each in done.stdout.split())
    assert friction == pytest.approx(FRICTION_NM, rel=0.01)
    return peak


def test_100_mb_take_no_more_memory_than_10(tmp_path: Path) -> None:
    path = tmp_path / "big.csv"
    big(path, 10)
    few = peak_mb(path, 150_000)
    big(path, 100)
    assert path.stat().st_size >= 100_000_000
    assert peak_mb(path, 150_000) < few + 30


@pytest.mark.long
def test_2_gb_take_no_more_memory_than_10_mb(tmp_path: Path) -> None:
    path = tmp_path / "big.csv"
    big(path, 10)
    few = peak_mb(path, 150_000)
    big(path, 2000)
    assert peak_mb(path, 150_000) < few + 30
