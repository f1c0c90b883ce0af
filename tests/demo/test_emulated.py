"""The demo with an emulated microcontroller: what is missing is said, what is there is recorded."""

import math
import re
from pathlib import Path

import pytest
from tests.device.build import built

from nightturn.bench.station import Station
from nightturn.demo.emulated import FIXTURE, run_emulated
from nightturn.demo.emulator import MACHINE, Emulator, find_firmware, find_qemu
from nightturn.errors import ConfigError, DeviceError
from nightturn.storage.verify import verify

CHECKOUT = Path(__file__).resolve().parents[2]


def plant(name: str) -> float:
    """A truth of the firmware's plant, N·m (and s)."""
    header = (CHECKOUT / "protocol" / "device" / "ports" / "plant" / "nt_plant.h").read_text()
    found = re.search(rf"NT_PLANT_{name} (\d+)", header)
    assert found, name
    return int(found[1]) / 1e6


def program(path: Path, text: str) -> str:
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)
    return str(path)


def test_a_missing_emulator_is_named_with_its_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    with pytest.raises(
        ConfigError, match=r"qemu-system-arm is not installed.*apt-get install qemu-system-arm"
    ):
        find_qemu()


def test_without_a_checkout_the_firmware_has_to_be_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="not in a checkout"):
        find_firmware(None, tmp_path)
    with pytest.raises(ConfigError, match="no such firmware image"):
        find_firmware(tmp_path / "missing.elf", tmp_path)


def test_a_firmware_that_was_never_built_needs_the_compiler(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "protocol" / "device").mkdir(parents=True)
    monkeypatch.setenv("PATH", "")
    with pytest.raises(ConfigError, match="make and arm-none-eabi-gcc for building it are not installed"):
        find_firmware(None, tmp_path / "protocol")


def test_a_firmware_that_was_built_needs_no_compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    image = tmp_path / "protocol" / "device" / "build" / f"{MACHINE}.elf"
    image.parent.mkdir(parents=True)
    image.touch()
    monkeypatch.setenv("PATH", "")
    assert find_firmware(None, tmp_path) == image


def test_an_emulator_that_ends_at_once_is_quoted(tmp_path: Path) -> None:
    broken = program(tmp_path / "qemu", "echo no machine for you; exit 1")
    with pytest.raises(DeviceError, match="no machine for you"), Emulator(broken, tmp_path / "x.elf"):
        pass


@pytest.mark.alone
def test_the_checkouts_firmware_is_recorded_from_without_a_gap(tmp_path: Path) -> None:
    built(f"{MACHINE}.elf")
    seen: list[int] = []

    def progress(_spent_s: float, station: Station) -> None:
        seen.append(station.core.state.counts.samples)

    image = find_firmware(None, CHECKOUT / "tests")
    night, bench = run_emulated(tmp_path, 24.0, find_qemu(), image, progress)
    assert bench.is_file()
    assert seen == sorted(seen)
    assert night.samples > 50_000  # 24 s at 5 kS/s, less the start; no judgement of speed
    assert night.tally.gaps.get(FIXTURE, []) == []
    report = verify(night.root, run="all")
    assert report.ok, [problem for run in report.runs for problem in run.problems]
    friction_nm = night.tally.cycles[FIXTURE][0].figure("friction_nm").value
    truth_nm = plant("COULOMB_UNM") + plant("VISCOUS_UNM_S") * 2 * math.pi  # at 60 rpm
    assert friction_nm == pytest.approx(truth_nm, rel=0.005)
