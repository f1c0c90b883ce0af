"""A whole cycle measured by the daemon on the native device: its figures against the truth that the plant names."""

import subprocess
from pathlib import Path

import numpy as np
import pytest
from tests.daemon.processes import HEAD, STAND, Processes, mount, say_go
from tests.device.build import built
from tests.device.native import SANITIZED, NativeDevices
from tests.device.plant import friction_nm, named, order_table, wave_nm
from tests.device.recording import Produced, account_for, verified

from nightturn.storage.reader import Run
from nightturn.storage.runs import open_run

VARIANT = "schema = 1\nrated_torque_nm = 15.0\npole_pairs = 16\nslots = 36\n"
EXPORT = 'run.samples(columns=["torque_raw", "encoder"]).to_csv(FILE, index=False)'
PLAYED_SAMPLES = 5000
pytestmark = (
    pytest.mark.alone
)  # a host that starves for two seconds lets lamp and lease fall back, and motion waits
CYCLE_S_MAX = 200.0  # a hang guard; a cycle takes 23 s
CYCLE_SAMPLES_MIN = 200_000
SPEED_RPM = 60.0
SPEED_RAD_S = SPEED_RPM / 60 * 2 * np.pi
TORQUE_NM = 5.0
FIXTURE = f"""
[[fixture]]
id = "pan-a1"
port = "device.line"
rate_hz = 10000
after_restart = "resume"
ramp_rad_per_s2 = 20.0
{STAND}[fixture.plan]
slow_turn = {{ revolutions = 2, speed_rpm = {SPEED_RPM} }}
hold = {{ torque_nm = {TORQUE_NM}, revolutions = 2, speed_rpm = {SPEED_RPM} }}
cycles = 1
"""


def played_again(run: Run, produced: Produced, folder: Path, native_device: NativeDevices) -> None:
    """A recording is exported as --help says, and another device plays it."""
    help_text = subprocess.check_output([built(SANITIZED), "--help"], text=True)
    assert EXPORT in help_text
    run.samples(columns=["torque_raw", "encoder"]).to_csv(folder / "FILE", index=False)
    first = int(run.samples(columns=["index"])["index"].iloc[0])
    device = native_device("again.line", rate=20_000, recording=folder / "FILE")
    device.takes(PLAYED_SAMPLES)
    device.end()
    (again,) = device.produced()
    for column in ("torque", "encoder"):
        assert (again[column][:PLAYED_SAMPLES] == produced[column][first : first + PLAYED_SAMPLES]).all()


def test_a_cycle_on_the_native_device_gives_the_figures_of_its_plant(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device(seed=7)
    (tmp_path / "variants").mkdir()
    (tmp_path / "variants" / "pan15.toml").write_text(VARIANT)
    (tmp_path / "bench.toml").write_text(HEAD + FIXTURE)
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", "bench.toml")
    say_go(tmp_path, device)
    serve.says("run_ended", limit_s=CYCLE_S_MAX)
    assert serve.interrupt() == 0
    device.end()

    root = tmp_path / "nights"
    verified(root)
    (produced,) = device.produced()
    assert account_for(root, "pan-a1", 0, produced).delivered > CYCLE_SAMPLES_MIN

    run = open_run(root, "pan-a1")
    played_again(run, produced, tmp_path, native_device)
    cycle = run.cycles().to_dict("records")[-1]  # a machine that is too busy for the lease begins it anew
    expected = {
        "friction_nm": friction_nm(SPEED_RAD_S),
        "cogging_pp_nm": np.ptp(wave_nm()),
        "ripple_pp_nm": np.ptp(wave_nm(TORQUE_NM)),
        "ripple_rms_nm": wave_nm(TORQUE_NM).std(),
    }
    for figure, truth in expected.items():
        assert cycle[f"{figure}_status"] == "ok", cycle[f"{figure}_reasons"]
        assert cycle[figure] == pytest.approx(truth, rel=0.003, abs=4 * cycle[f"{figure}_u"]), figure
        assert cycle[f"{figure}_u"] < 0.01 * truth
    assert abs(cycle["mean_torque_nm"]) == pytest.approx(TORQUE_NM - friction_nm(SPEED_RAD_S), rel=1e-4)
    found = {each["order"]: each["amplitude_nm"] for each in cycle["cogging_orders"]}
    for each in order_table(ripple=False):
        assert found[each.order] == pytest.approx(each.amplitude, rel=0.01, abs=5e-5)
    assert named()["RATED_UNM"] * 1e-6 * cycle["friction_pct_rated"] / 100 == pytest.approx(
        cycle["friction_nm"]
    )
