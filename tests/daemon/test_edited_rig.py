"""A rig file that was edited while the daemon was down: what is recorded keeps its sign, and the shaft stands."""

from pathlib import Path

import numpy as np
import pytest
from tests.bench.test_reading_back import calibrate
from tests.daemon.processes import Processes, mount, write_bench
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevices

from nightturn.errors import StorageError
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

VOLTS_PER_COUNT = 20 / 2**24  # of the native device's bridge
ABSOLUTE = 'reference = "absolute"\n'


def test_a_turned_sense_ends_the_run_and_other_settings_do_not(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device("a.line").port}, after_restart="resume")
    nights = tmp_path / "nights"
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    tape_grows(tmp_path, serve, 60_000)
    serve.kill()
    good = bench.read_text(encoding="utf-8")
    bench.write_text(good.replace("cycles = 1000", "cycles = 900"), encoding="utf-8")
    again = processes.start("serve", str(bench))
    again.says("run_open")
    tape_grows(tmp_path, again, 30_000)
    assert again.interrupt() == 0
    (first,) = list_runs(nights)
    events = open_run(nights).events()
    assert list(events[events["kind"] == "setting_changed"]["detail"]) == ["plan.cycles: 1000 -> 900"]
    before = open_run(nights).samples()
    bench.write_text(good.replace(ABSOLUTE, ABSOLUTE + "sense = -1\n"), encoding="utf-8")
    third = processes.start("serve", str(bench))
    third.says("run_ended_by_settings")
    third.says("run_open")
    tape_grows(tmp_path, third, 60_000)
    assert third.interrupt() == 0
    second, ended = list_runs(nights)
    assert (ended.run, ended.state) == (first.run, "ended")
    assert "encoder.sense: 1 -> -1" in ended.reason
    assert open_run(nights, run=first.run).samples().equals(before)
    fresh = open_run(nights, run=second.run)
    (told,) = [row for row in fresh.events().to_dict("records") if row["kind"] == "settings_changed"]
    assert f"run {first.run} ended: {ended.reason}" in told["detail"]
    frame = fresh.samples(columns=["encoder"])
    assert len(frame) > 1000
    assert np.ptp(frame["encoder"]) < 2**20 / 360  # less than a degree
    assert verify(nights, run="all").ok


def test_a_recalibration_and_another_rate_end_the_run_and_each_sample_keeps_the_factor_it_was_recorded_under(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": native_device("a.line").port})
    nights = tmp_path / "nights"
    mount(tmp_path, "pan-a1")
    serve = processes.start("serve", str(bench))
    serve.says("run_open")
    tape_grows(tmp_path, serve, 30_000)
    serve.kill()
    good = bench.read_text(encoding="utf-8")
    bench.write_text(good.replace("rate_hz = 1000", "rate_hz = 2000"), encoding="utf-8")
    calibrate(nights, "TR-204/2", 4.4, 0.01)
    again = processes.start("serve", str(bench))
    again.says("run_ended_by_settings")
    again.says('"run_open"')
    tape_grows(tmp_path, again, 30_000)
    assert again.interrupt() == 0
    second, first = list_runs(nights)
    assert (first.state, second.state) == ("ended", "interrupted")
    for key in ("rate_hz: 1000 -> 2000", "calibration.factor_nm_per_v: 4.0 -> 4.4"):
        assert key in first.reason
    for run, factor, zero_v in ((first, 4.0, 0.0), (second, 4.4, 0.01)):
        opened = open_run(nights, run=run.run)
        frame = opened.samples(columns=["torque_raw", "torque_nm"], calibration="recorded")
        volts = frame["torque_raw"].to_numpy() * VOLTS_PER_COUNT
        assert len(frame) > 1000
        assert np.allclose(frame["torque_nm"].to_numpy(), (volts - zero_v) * factor)
        with pytest.raises(StorageError, match=r"has samples from .* to .*, none of"):
            opened.samples("2001-01-01", "2001-01-02")
    assert verify(nights, run="all").ok
