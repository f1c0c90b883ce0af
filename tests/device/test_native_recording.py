"""Recordings played by the native device: sample by sample as they stand in the file, round and round."""

import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.device.build import built
from tests.device.client import Client
from tests.device.native import SANITIZED, NativeDevices
from tests.device.test_native_line import SESSION

from nightturn_protocol.messages import EventCode

RAIL = (1 << 23) - 1


def recording(path: Path, count: int = 700) -> pd.DataFrame:
    """A made-up run: a shaft that turns evenly, with noise on its torque; as pandas writes it."""
    rng = np.random.default_rng(11)
    frame = pd.DataFrame(
        {
            "torque_raw": rng.integers(-RAIL - 1, RAIL, count, endpoint=True).astype(np.int32),
            "encoder": -5000 + 37 * np.arange(count, dtype=np.int64),
        }
    )
    frame.to_csv(path, index=False)
    return frame


def test_a_recording_is_played_and_begins_again_with_the_encoder_going_on(
    tmp_path: Path, native_device: NativeDevices
) -> None:
    frame = recording(tmp_path / "run.csv")
    device = native_device(recording=tmp_path / "run.csv", rate=5000)
    device.takes(3 * len(frame))
    device.end()
    (produced,) = device.produced()
    number = np.arange(len(produced))
    assert (produced["torque"] == frame["torque_raw"].to_numpy()[number % len(frame)]).all()
    assert (produced["encoder"] == -5000 + 37 * number).all()  # no seam


def test_a_recorded_shaft_that_came_back_starts_each_round_where_it_ended(
    tmp_path: Path, native_device: NativeDevices
) -> None:
    (tmp_path / "run.csv").write_text("torque_raw,encoder\r\n1,100\r\n2,150\r\n3,120\r\n4,120\r\n")
    device = native_device(recording=tmp_path / "run.csv")
    device.takes(12)
    device.end()
    (produced,) = device.produced()
    assert list(produced["encoder"][:10]) == [100, 150, 120, 120, 120, 170, 140, 140, 140, 190]
    assert list(produced["torque"][:10]) == [1, 2, 3, 4, 1, 2, 3, 4, 1, 2]


def test_what_goes_wrong_goes_wrong_in_a_recording_too(tmp_path: Path, native_device: NativeDevices) -> None:
    recording(tmp_path / "run.csv")
    device = native_device(recording=tmp_path / "run.csv")
    with Client(device.port) as host:
        host.open(SESSION)
        device.make("bridge open")
        host.event(EventCode.BRIDGE_OPEN)
        device.make("encoder blind")
        host.event(EventCode.ENCODER_FAULT)
    device.end()
    (produced,) = device.produced()
    assert (produced["torque"][-3:] == RAIL).all()
    assert np.ptp(produced["encoder"][-3:]) == 0


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("torque,encoder\n1,2\n3,4\n", "line 1: the first line must be torque_raw,encoder"),
        ("", "line 1: at least two samples are needed"),
        ("torque_raw,encoder\n1,2\n", "line 2: at least two samples are needed"),
        ("torque_raw,encoder\n1,2\n1.5,2\n", "line 3: give two whole numbers, torque within 24 bits"),
        ("torque_raw,encoder\n1,2\n1\n", "line 3: give two whole numbers"),
        ("torque_raw,encoder\n1,2\n8388608,1\n", "line 3: give two whole numbers, torque within 24 bits"),
        ("torque_raw,encoder\n1,2\n1,9223372036854775808\n", "line 3: give two whole numbers"),
        ("torque_raw,encoder\n1,2\n\n3,4\n", "line 3: give two whole numbers"),
    ],
)
def test_a_file_that_is_no_recording_is_refused_with_its_line(content: str, why: str, tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text(content)
    done = subprocess.run(
        [built(SANITIZED), "--link", "device.line", "--recording", "run.csv"],
        cwd=tmp_path,
        text=True,
        capture_output=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 2
    assert f"nightturn-native: run.csv {why}" in done.stderr
