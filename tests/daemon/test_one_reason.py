"""A daemon that dies while its runs are coming to their end: event, row and manifest give the reason that was given."""

from pathlib import Path

from tests.daemon.processes import Processes, mount, say_go, write_bench
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import STOP
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import read_manifest
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify

LIMITED = "[fixture.protect]\ntorque_nm = { max = 0.12 }\n"  # turning back, friction and zero of this plant are beyond it
BY_LIMIT, BY_COMMAND = "pan-a1", "pan-a2"


def test_after_a_crash_manifest_and_event_name_the_same_reason_for_the_end(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    devices = {fixture: native_device(f"{fixture}.line") for fixture in (BY_LIMIT, BY_COMMAND)}
    bench = write_bench(tmp_path, {fixture: device.port for fixture, device in devices.items()})
    rig = bench.read_text(encoding="utf-8")
    bench.write_text(rig.replace("cycles = 1000\n", f"cycles = 1000\n{LIMITED}", 1), encoding="utf-8")
    root = tmp_path / "nights"
    for fixture in devices:
        mount(tmp_path, fixture)
    serve = processes.start("serve", "bench.toml")
    for fixture in (BY_COMMAND, BY_LIMIT):
        say_go(tmp_path, devices[fixture], fixture)
    serve.says('"limit_exceeded"')
    assert ask(root, new_request(STOP, BY_COMMAND, "R. Vale")).kept
    serve.kill()  # neither has been closed: each has a last check to come
    # the process that seals holds the root until it has seen that its daemon is gone
    wait(lambda: {run.state for run in list_runs(root)} == {"interrupted"}, lambda: str(list_runs(root)))

    again = processes.start("serve", "bench.toml")
    again.says("its run has ended", len(devices))
    again.kill()
    assert verify(root, run="all").ok
    given = {
        BY_LIMIT: ("torque_nm is ", "limit"),
        BY_COMMAND: ("stopped by R. Vale", "command"),
    }
    for run in list_runs(root):
        words, by = given[run.fixture]
        manifest = read_manifest(RealFiles(root), run.fixture, run.run)
        assert (run.state, manifest.state, manifest.ended_by) == ("ended", "ended", by)
        assert manifest.reason.startswith(words)
        assert run.reason == manifest.reason
        events = open_run(root, run.fixture).events()
        (ended,) = events[events["kind"] == "run_ended"].to_dict("records")
        assert ended["detail"] == f"{manifest.reason} (by {by})"
        assert ended["ts"].value == manifest.ended_utc_ns
