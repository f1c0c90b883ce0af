"""Cards of a running daemon: written and taken off only while nothing may turn, and a permission is for one card."""

from pathlib import Path

import msgspec
from tests.daemon.processes import Processes, mount, say_go
from tests.daemon.test_commands import VALE, asked, status, turning
from tests.daemon.test_one_owner import streams
from tests.device.native import NativeDevices
from tests.waiting import wait

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO, MOUNT
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.verify import verify


def test_no_card_changes_while_the_shaft_turns_and_a_paused_unit_can_be_taken_off(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    other = (
        "mount",
        "bench.toml",
        "pan-a1",
        "--unit",
        "Q-0121",
        "--variant",
        "pan15",
        *VALE,
        "--travel-zero",
    )
    for words in (other, ("unmount", "pan-a1", *VALE)):
        code, said = asked(processes, *words)
        assert (code, "stop it first: `nightturn stop pan-a1 --operator NAME`" in said) == (1, True)
        assert "it is turning (turning, permitted by R. Vale)" in said
    assert device.state()["lease"]
    cards = tmp_path / "nights" / "mounts" / "pan-a1.jsonl"
    assert len(cards.read_bytes().splitlines()) == 1

    assert asked(processes, "pause", "pan-a1", *VALE)[0] == 0
    wait(lambda: status(tmp_path).state.startswith("paused"), lambda: serve.said)
    code, said = asked(processes, "unmount", "pan-a1", *VALE)
    assert (code, "pan-a1: Q-0117 unmounted by R. Vale (kept)" in said) == (0, True)
    serve.says("run_ended")
    serve.says("no unit is mounted")
    code, said = asked(processes, "go", "pan-a1", "--unit", "Q-0117", *VALE)
    assert (code, "no run is open" in said) == (1, True)
    code, said = asked(processes, "unmount", "pan-a1", *VALE)
    assert (code, "no unit is mounted on pan-a1" in said) == (1, True)
    assert serve.interrupt() == 0
    assert verify(tmp_path / "nights", run="all").ok
    details = open_run(tmp_path / "nights", "pan-a1").events()["detail"]
    assert "Q-0117 unmounted by R. Vale (by card)" in set(details)


def test_a_unit_mounted_while_no_daemon_ran_gets_a_run_of_its_own_and_no_permission(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    turning(tmp_path, processes, device).kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    mount(tmp_path, "pan-a1", unit="Q-0121")
    again = processes.start("serve", "bench.toml")
    again.says("run_open")
    streams(tmp_path / "nights")
    shown = status(tmp_path)
    assert shown.state.startswith("locked")
    assert "`nightturn go pan-a1 --unit Q-0121 --operator NAME`" in shown.waits_for
    assert "setting" not in shown.waits_for + shown.state
    assert not device.state()["lease"]
    say_go(tmp_path, device, unit="Q-0121")  # by the zero that the card confirms
    assert again.interrupt() == 0
    newest, ended = list_runs(tmp_path / "nights")
    assert (newest.unit, ended.unit) == ("Q-0121", "Q-0117")
    assert ended.reason == 'a newer mount card was written: card.unit: "Q-0117" -> "Q-0121"'
    assert "run_ended_by_card" in again.said
    assert verify(tmp_path / "nights", run="all").ok


def test_motion_does_not_go_on_by_itself_under_a_newer_card_of_the_same_unit(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    turning(tmp_path, processes, device).kill()
    wait(lambda: not device.state()["moving"], lambda: str(device.state()))
    mount(tmp_path, "pan-a1")
    again = processes.start("serve", "bench.toml")
    again.says("run_open")
    streams(tmp_path / "nights")
    assert status(tmp_path).state.startswith("locked")
    assert again.interrupt() == 0
    (run,) = list_runs(tmp_path / "nights")
    kinds = set(open_run(tmp_path / "nights", "pan-a1").events()["kind"])
    assert "motion_resumed" not in kinds
    assert "travel_zero" in kinds  # which the card confirms
    assert run.unit == "Q-0117"


def told(tmp_path: Path) -> list[str]:
    """What the events of the newest run say of motion and travel, in order; the daemon has ended."""
    kinds = open_run(tmp_path / "nights", "pan-a1").events()["kind"]
    return [kind for kind in kinds if kind.startswith(("motion", "travel", "go"))]


def test_a_go_right_after_a_mount_turns_by_the_zero_that_was_just_confirmed(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    asked(processes, "pause", "pan-a1", *VALE)
    wait(lambda: status(tmp_path).state.startswith("paused"), lambda: serve.said)
    root = tmp_path / "nights"
    again = msgspec.structs.replace(
        new_request(MOUNT, "pan-a1", "R. Vale", unit="Q-0117"), variant="pan15", travel_zero=True
    )
    assert "travel counts again" in ask(root, again).travel
    answer = ask(root, new_request(GO, "pan-a1", "R. Vale", unit="Q-0117"))
    assert answer.ok, answer.problem
    wait(lambda: bool(device.state()["moving"]), lambda: serve.said)
    assert serve.interrupt() == 0
    kinds = told(tmp_path)
    assert "travel_zero_ignored" not in kinds
    paused = kinds.index("motion_paused")
    assert kinds[paused + 1 : paused + 3] == ["travel_zero", "motion_allowed"]


def test_go_is_refused_under_an_older_card_and_lapses_with_a_card_written_by_hand(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    asked(processes, "pause", "pan-a1", *VALE)
    wait(lambda: status(tmp_path).state.startswith("paused"), lambda: serve.said)
    root, go = tmp_path / "nights", new_request(GO, "pan-a1", "R. Vale", unit="Q-0117")
    mount(tmp_path, "pan-a1")
    answer = ask(root, go)
    assert (answer.ok, "confirms the travel zero" in answer.problem) == (False, True)
    answer = ask(root, go)
    assert answer.ok, answer.problem
    mount(tmp_path, "pan-a1")
    wait(lambda: status(tmp_path).state.startswith("locked"), lambda: status(tmp_path).state)
    assert "confirmed the travel zero again; `go` again" in status(tmp_path).state
    mount(tmp_path, "pan-a1", unit="Q-0121")
    for unit in ("Q-0117", "Q-0121"):
        answer = ask(root, new_request(GO, "pan-a1", "R. Vale", unit=unit))
        assert not answer.ok
    assert not device.state()["lease"]
    serve.says("run_open", 2)
    assert serve.interrupt() == 0
    newest, first = list_runs(root)
    assert (newest.unit, first.unit, first.reason) == (
        "Q-0121",
        "Q-0117",
        "a newer mount card was written",
    )
    assert verify(root, run="all").ok


def test_a_card_whose_run_has_ended_opens_none_after_a_new_start_of_the_daemon(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    device = native_device()
    serve = turning(tmp_path, processes, device)
    assert asked(processes, "stop", "pan-a1", *VALE)[0] == 0
    serve.says("run_ended")
    assert serve.interrupt() == 0
    root = tmp_path / "nights"
    (ended,) = list_runs(root)

    again = processes.start("serve", "bench.toml")
    again.says("waiting_for_card")
    assert "its run has ended" in again.said
    answer = ask(root, new_request(GO, "pan-a1", "R. Vale", unit="Q-0117"))
    assert (answer.ok, "no run is open" in answer.problem) == (False, True)
    assert status(tmp_path).waits_for == "waits for `nightturn mount` of a unit on pan-a1"
    state = device.state()
    assert (state["moving"], state["lease"], state["session"]) == (False, False, 0)
    mount(tmp_path, "pan-a1")
    again.says("run_open")
    streams(root)
    assert status(tmp_path).state.startswith("locked")
    assert again.interrupt() == 0
    newest, before = list_runs(root)
    assert (before.run, before.state, newest.unit) == (ended.run, "ended", "Q-0117")
    assert verify(root, run="all").ok
