"""A device that stops dead while its shaft turns and comes back: its lease has lapsed, and the host says why it stays."""

import signal
from pathlib import Path

from tests.daemon.processes import Processes
from tests.daemon.test_commands import VALE, asked, status
from tests.daemon.test_daemon_ends import turning
from tests.device.native import NativeDevices
from tests.waiting import act_for, wait

from nightturn.storage.runs import open_run
from nightturn.storage.verify import verify
from nightturn_protocol.messages import LEASE_WINDOW_MS_MAX

LAPSED = "the motion lease lapsed on the device"
SILENT = "no valid frame for "


def test_a_device_that_stood_still_for_longer_than_its_lease_has_lapsed_and_waits_for_go(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    device.process.send_signal(signal.SIGSTOP)
    try:
        serve.says('"motion_stopped"')
        shown = status(tmp_path)
        assert (shown.state.startswith("stopping: "), shown.waits_for) == (
            True,
            "waits until the shaft is at rest",
        )
        act_for(
            LEASE_WINDOW_MS_MAX / 1000,
            "the device stands still, longer than any lease that it has been given",
        )
    finally:
        device.process.send_signal(signal.SIGCONT)
    wait(lambda: status(tmp_path).state.startswith("locked"), lambda: status(tmp_path).state)
    waits_for = status(tmp_path).waits_for
    assert LAPSED in waits_for
    assert "`nightturn go pan-a1 --unit Q-0117 --operator NAME`" in waits_for
    left = device.state()
    assert (left["lease"], left["moving"]) == (False, False)
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert (code, LAPSED in said) == (0, True)
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok
    run = open_run(tmp_path / "nights", "pan-a1")
    events = run.events()
    kinds = list(events["kind"])
    assert "lease_lapsed" in kinds
    assert "motion_resumed" not in kinds
    stopped = events[events["kind"] == "motion_stopped"]
    assert SILENT in next(iter(stopped["detail"]))
