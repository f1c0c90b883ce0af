"""The store that the version before left: read, proven, replayed from its snapshots, and its open run taken up as it stood."""

import tarfile
from pathlib import Path

import pytest
from tests.daemon.processes import Processes

from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.settings.load import load_rig, read_card
from nightturn.storage.reader import Run
from nightturn.storage.runs import list_runs
from nightturn.storage.verify import verify

ARCHIVE = Path(__file__).parents[2] / "replay_logs" / "compat" / "bfb9a96.tar.xz"
ENDED, INTERRUPTED = "20261128T085849Z-ea48", "20261128T090055Z-693a"
SAMPLES = {ENDED: 46990, INTERRUPTED: 28600}
FRICTION_NM = 0.14613
"""As that version's verdict of the interrupted run gave it, ± 0.00017."""


def unpacked(folder: Path) -> Path:
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(folder, filter="data")
    return folder


@pytest.fixture(scope="module")
def left(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bench folder: a run that ended with its plan, and one whose daemon was killed while the shaft turned."""
    return unpacked(tmp_path_factory.mktemp("before"))


def test_its_runs_are_listed_read_and_proven(left: Path) -> None:
    runs = {each.run: each for each in list_runs(left / "nights")}
    assert {run: each.samples for run, each in runs.items()} == SAMPLES
    assert (runs[ENDED].state, runs[INTERRUPTED].state) == ("ended", "interrupted")
    assert runs[INTERRUPTED].motion == "turning"
    run = Run(left / "nights", "pan-a1", ENDED)
    assert len(run.samples()) == SAMPLES[ENDED]
    assert run.cycles()["friction_nm"].to_list() == pytest.approx([FRICTION_NM] * 2, abs=2e-4)
    assert len(run.frame("curves")) == 4  # forward and back of two cycles
    assert verify(left / "nights", run="all").ok


def test_its_rig_file_and_card_are_read(left: Path) -> None:
    rig = load_rig(left / "bench.toml")
    assert [each.id for each in rig.fixture] == ["pan-a1"]
    card = read_card(left / "nights", "pan-a1")
    assert card is not None
    assert (card.unit, card.variant) == ("Q-0121", "pan15")


def test_its_tape_replays_from_its_first_record_and_from_a_snapshot_in_the_middle(left: Path) -> None:
    tape = tape_of_run(left / "nights", "pan-a1", ENDED)
    seen = replay(tape)
    assert seen.samples == SAMPLES[ENDED]
    assert [cycle.figure("friction_nm").value for cycle in seen.rows.cycles] == pytest.approx(
        [FRICTION_NM] * 2, abs=2e-4
    )
    later = replay(type(tape)(tape.name, tape.files[1:], tape.run))
    assert later.samples == SAMPLES[ENDED]
    assert (
        later.rows.cycles[-1].figure("friction_nm").value == seen.rows.cycles[-1].figure("friction_nm").value
    )


def test_its_open_run_goes_on_from_its_tape_and_nothing_turns(tmp_path: Path, processes: Processes) -> None:
    unpacked(tmp_path)
    serve = processes.start("serve", str(tmp_path / "bench.toml"))
    serve.says("run_open")
    serve.says('"state": "locked"')
    assert INTERRUPTED in serve.said
    assert "was set aside" not in serve.said
    assert serve.interrupt() == 0
    assert not list((tmp_path / "nights" / "journal").rglob("*.unreadable"))
    (run,) = [each for each in list_runs(tmp_path / "nights") if each.run == INTERRUPTED]
    assert run.samples > SAMPLES[INTERRUPTED]
    assert run.motion != "turning"
