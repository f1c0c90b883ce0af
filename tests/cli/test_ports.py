"""`ports`: names that stay the same, and what to do when there is nothing or no permission."""

import json
import os
from pathlib import Path
from types import SimpleNamespace

import pytest
from serial.tools import list_ports
from tests.cli.terminal import too_wide, typed

from nightturn.transport.ports import SerialPortEntry, serial_ports, stable_links


def found(*devices: Path | str) -> list[SimpleNamespace]:
    return [SimpleNamespace(device=str(device), description="n/a") for device in devices]


def test_a_device_is_named_by_its_stable_link(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    device, other = tmp_path / "ttyACM0", tmp_path / "ttyACM1"
    device.touch()
    other.touch()
    links = tmp_path / "by-id"
    links.mkdir()
    (links / "usb-bridge-7").symlink_to("../ttyACM0")
    monkeypatch.setattr(list_ports, "comports", lambda: found(other, device))
    assert serial_ports(stable_links(links)) == [
        SerialPortEntry(str(links / "usb-bridge-7"), str(device), "", permitted=True),
        SerialPortEntry(str(other), str(other), "", permitted=True),
    ]


def test_a_system_without_stable_links_has_none(tmp_path: Path) -> None:
    assert stable_links(tmp_path / "by-id") == {}


def test_no_port_says_what_to_do(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(list_ports, "comports", list)
    code, out, _ = typed(["ports"], capsys)
    assert code == 0
    assert out.startswith("no serial port found: plug the device in")
    assert typed(["ports", "--json"], capsys).out == "[]\n"


def test_the_longest_port_is_whole_and_the_rest_fits_eighty_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    long = "/dev/serial/by-id/usb-quillfen_torque_and_angle_bridge_of_the_basement_0117-if00-port0"
    entry = SerialPortEntry(
        long, "/dev/ttyACM0", "a bridge whose description is longer than a line", permitted=True
    )
    monkeypatch.setattr("nightturn.transport.ports.serial_ports", lambda: [entry])
    out = typed(["ports"], capsys).out
    assert out.splitlines()[0] == long
    assert too_wide(out) == []
    assert "ready, now /dev/ttyACM0, says a bridge whose description" in out


def test_a_port_without_permission_names_the_group(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(list_ports, "comports", lambda: found("/dev/nightturn-none"))
    monkeypatch.setattr(os, "access", lambda *_: False)
    code, out, _ = typed(["ports"], capsys)
    assert code == 0
    assert "/dev/nightturn-none" in out
    assert "no permission: add your user to the group that owns the port (often dialout" in " ".join(
        out.split()
    )
    (entry,) = json.loads(typed(["ports", "--json"], capsys).out)
    assert entry == {
        "port": "/dev/nightturn-none",
        "device": "/dev/nightturn-none",
        "description": "",
        "permitted": False,
    }
